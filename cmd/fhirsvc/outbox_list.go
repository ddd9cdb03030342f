package main

import (
	"context"
	"encoding/json"
	"fmt"
	"text/tabwriter"
	"time"

	"fhirsvc/internal/store"
)

// held is what waits for a reader, as it is listed.
type held struct {
	name waitingName

	Name        string     `json:"name"`
	Destination string     `json:"destination"`
	Episode     string     `json:"episode,omitempty"`
	Waiting     int        `json:"waiting"`
	Since       *time.Time `json:"since,omitempty"`
	RefusedAt   *time.Time `json:"refusedAt,omitempty"`
	Attempts    int        `json:"attempts,omitempty"`
	Code        string     `json:"code,omitempty"`
	Status      int        `json:"status,omitempty"`
	Reason      string     `json:"reason,omitempty"`
	Message     string     `json:"message,omitempty"`
	Size        int        `json:"size,omitempty"`
	Diagnostics string     `json:"diagnostics,omitempty"`
}

func (w held) refused() bool { return w.RefusedAt != nil }

// readWaiting reads all that waits: messages that were set aside, then the destinations'
// queues.
func readWaiting(ctx context.Context, st store.Store) ([]held, error) {
	aside, err := st.Aside(ctx)
	if err != nil {
		return nil, err
	}
	queues, err := st.DeliveryQueues(ctx)
	if err != nil {
		return nil, err
	}
	var all []held
	for _, a := range aside {
		w := newWaiting(store.JetStream, a.Seq, a.Episode, a.Queued, a.At, a.Refusal)
		w.Waiting, w.Message, w.Size = 1, a.MessageID, a.Size
		all = append(all, w)
	}
	for _, q := range queues {
		w := newWaiting(q.Destination, q.Number, q.Episode, q.Oldest, q.RefusedAt, q.Refusal)
		w.Waiting, w.Attempts = q.Waiting, q.Attempts
		all = append(all, w)
	}
	return all, nil
}

func newWaiting(destination string, number int64, episode string, since, refusedAt time.Time, why store.Refusal) held {
	name := waitingName{destination, number}
	w := held{
		name: name, Name: name.String(), Destination: destination, Episode: episode,
		Code: why.Code, Status: why.Status, Reason: why.Details, Diagnostics: why.Diagnostics,
	}
	if !since.IsZero() {
		w.Since = &since
	}
	if !refusedAt.IsZero() {
		w.RefusedAt = &refusedAt
	}
	return w
}

func listOutbox(args []string, out surroundings) (outboxAct, error) {
	f := newFlags("outbox list", out, outboxHelp)
	everything := f.Bool("all", false, "also what is still being tried")
	destination := f.String("destination", "", "only what waits for `NAME`")
	episode := f.String("episode", "", "only what waits of the episode `ID`")
	code := f.String("code", "", "only what was not taken for the issue `CODE`, such as conflict")
	format := f.String("format", formatText, "text or json, one object a line")
	said := f.Bool("diagnostics", false, "what the server said, with whatever that holds of patients")
	if err := parse(f, args, out); err != nil {
		return nil, err
	}
	if *format != formatText && *format != formatJSON {
		return nil, usageError{fmt.Errorf("outbox list: --format wants text or json, not %q", *format)}
	}
	return func(ctx context.Context, st store.Store) error {
		all, err := readWaiting(ctx, st)
		if err != nil {
			return err
		}
		var shown []held
		for _, w := range all {
			wanted := (w.refused() || *everything) && (*destination == "" || *destination == w.Destination) &&
				(*episode == "" || *episode == w.Episode) && (*code == "" || *code == w.Code)
			if !wanted {
				continue
			}
			if !*said {
				w.Diagnostics = ""
			}
			shown = append(shown, w)
		}
		if *format == formatJSON {
			return printWaitingJSON(out, shown)
		}
		return printWaiting(out, shown)
	}, nil
}

func printWaitingJSON(out surroundings, all []held) error {
	e := json.NewEncoder(out.stdout)
	e.SetEscapeHTML(false)
	for _, w := range all {
		if err := e.Encode(w); err != nil {
			return err
		}
	}
	return nil
}

func printWaiting(out surroundings, all []held) error {
	w := tabwriter.NewWriter(out.stdout, 0, 0, 2, ' ', 0)
	say(w, "NAME\tSINCE\tWAITING\tSTATE\tCODE\tEPISODE\tREASON\n")
	for _, one := range all {
		state := "refused"
		if !one.refused() {
			state = fmt.Sprintf("tried %d times", one.Attempts)
		}
		since, reason := "unknown", one.Reason
		if one.Since != nil {
			since = one.Since.UTC().Format(time.RFC3339)
		}
		if one.Message != "" {
			reason = fmt.Sprintf("%s (%s, %d bytes)", reason, one.Message, one.Size)
		}
		say(w, "%s\t%s\t%d\t%s\t%s\t%s\t%s\n", one.Name, since, one.Waiting, state, one.Code, one.Episode, reason)
		if one.Diagnostics != "" {
			say(w, "\t%q\n", one.Diagnostics)
		}
	}
	return w.Flush()
}
