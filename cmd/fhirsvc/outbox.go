package main

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"strconv"
	"strings"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
	"fhirsvc/internal/store/embedded"
	"fhirsvc/internal/store/postgres"
)

const outboxHelp = `Usage: fhirsvc outbox list [--all] [--destination NAME] [--episode ID] [--code CODE]
                          [--format json] [--diagnostics]
       fhirsvc outbox retry [--overwrite] NAME/NUMBER…|all
       fhirsvc outbox drop --reason TEXT NAME/NUMBER…
       fhirsvc outbox end --reason TEXT NAME

Changes that were committed and that a reader has refused: an external FHIR server those of
an episode, the broker a message. They wait here; what is new in the episode has all of it
tried again by itself.

'list' tells what waits and why; with --all also what is still being tried. --diagnostics
adds what the server said, with whatever that holds of patients. 'retry' tries again now;
with --overwrite it replaces what others have written at the server since, which nothing
else does. 'drop' gives up what waits by now, later changes are delivered. 'end' forgets a
destination that is not configured any more, with all that waits for it. What is dropped or
ended is not sent again; the reason is recorded in the audit trail.

With --data DIR before the verb it works on the stopped sandbox of that folder.

Settings (environment):
  FHIRSVC_DATABASE_URL    the PostgreSQL database

Exit code 1 if the database is away or nothing waits under a name.
`

// neededByOutbox: the database alone.
func neededByOutbox(s setting) bool { return s.name == "FHIRSVC_DATABASE_URL" }

// outboxAct is what is to be done, read before the store is opened.
type outboxAct func(ctx context.Context, st store.Store) error

func runOutbox(ctx context.Context, args []string, out surroundings) error {
	f := newFlags("outbox", out, outboxHelp)
	data := f.String("data", "", "`folder` of a stopped sandbox")
	verb, rest, err := parseVerb(f, args, out)
	if err != nil {
		return err
	}
	act, err := readOutboxAct(verb, rest, out)
	if err != nil {
		return err
	}
	st, err := openOutbox(ctx, *data, out)
	if err != nil {
		return err
	}
	defer st.Close()
	return act(ctx, st)
}

func openOutbox(ctx context.Context, data string, out surroundings) (store.Store, error) {
	if data != "" {
		return embedded.Open(filepath.Join(data, "store"))
	}
	config, err := ReadConfig(out.getenv, neededByOutbox)
	if err != nil {
		return nil, err
	}
	return postgres.Open(ctx, config.DatabaseURL.reveal())
}

func readOutboxAct(verb string, args []string, out surroundings) (outboxAct, error) {
	switch verb {
	case "list":
		return listOutbox(args, out)
	case "retry":
		return retryOutbox(args, out)
	case "drop":
		return dropOutbox(args, out)
	case "end":
		return endDestination(args, out)
	}
	return nil, usageError{fmt.Errorf("outbox: want list, retry, drop or end, not %q", verb)}
}

// waitingName names what waits: a destination, or the broker, and its number there.
type waitingName struct {
	destination string
	number      int64
}

func (w waitingName) String() string { return w.destination + "/" + strconv.FormatInt(w.number, 10) }

func wantNames(args []string) ([]waitingName, error) {
	var names []waitingName
	for _, a := range args {
		destination, number, _ := strings.Cut(a, "/")
		n, err := strconv.ParseInt(number, 10, 64)
		if err != nil || n <= 0 || destination == "" {
			return nil, usageError{fmt.Errorf("outbox: %q is not a name from 'fhirsvc outbox list', such as ehr/12", a)}
		}
		names = append(names, waitingName{destination, n})
	}
	if len(names) == 0 {
		return nil, usageError{errors.New("outbox: want a name from 'fhirsvc outbox list', such as ehr/12")}
	}
	return names, nil
}

func retryOutbox(args []string, out surroundings) (outboxAct, error) {
	f := newFlags("outbox retry", out, outboxHelp)
	overwrite := f.Bool("overwrite", false, "replace what others have written at the server since")
	if err := parseFlags(f, args, out); err != nil {
		return nil, err
	}
	all := f.NArg() == 1 && f.Arg(0) == "all"
	names, err := wantNames(f.Args())
	switch {
	case all && *overwrite:
		return nil, usageError{errors.New("outbox retry: --overwrite is said of each by name")}
	case !all && err != nil:
		return nil, err
	}
	return func(ctx context.Context, st store.Store) error {
		if all {
			found, err := readWaiting(ctx, st)
			if err != nil {
				return err
			}
			for _, w := range found {
				if w.refused() {
					names = append(names, w.name)
				}
			}
		}
		return eachName(names, out, "is tried again", func(w waitingName) error {
			if w.destination == store.JetStream {
				return st.RetryAside(ctx, w.number)
			}
			return st.RetryDelivery(ctx, w.destination, w.number, *overwrite)
		})
	}, nil
}

func dropOutbox(args []string, out surroundings) (outboxAct, error) {
	reason, rest, err := withReason("outbox drop", args, out)
	if err != nil {
		return nil, err
	}
	names, err := wantNames(rest)
	if err != nil {
		return nil, err
	}
	return func(ctx context.Context, st store.Store) error {
		found, err := readWaiting(ctx, st)
		if err != nil {
			return err
		}
		return eachName(names, out, "dropped", func(w waitingName) error {
			var about held
			for _, one := range found {
				if one.name == w {
					about = one
				}
			}
			if about.name != w {
				return outcome.Fail(outcome.CodeNotFound, "drop", "nothing waits under this name")
			}
			if err := recordDrop(ctx, st, "outbox drop "+w.String()+": "+reason, about.Episode); err != nil {
				return err
			}
			if w.destination == store.JetStream {
				return st.DropAside(ctx, w.number)
			}
			return st.DropDelivery(ctx, w.destination, w.number)
		})
	}, nil
}

func endDestination(args []string, out surroundings) (outboxAct, error) {
	reason, rest, err := withReason("outbox end", args, out)
	if err == nil && len(rest) != 1 {
		err = usageError{errors.New("outbox end: want one destination")}
	}
	if err != nil {
		return nil, err
	}
	return func(ctx context.Context, st store.Store) error {
		if err := recordDrop(ctx, st, "outbox end "+rest[0]+": "+reason, ""); err != nil {
			return err
		}
		if err := st.EndDestination(ctx, rest[0]); err != nil {
			return err
		}
		say(out.stdout, "%s is forgotten\n", rest[0])
		return nil
	}, nil
}

// withReason reads the reason that giving something up needs.
func withReason(name string, args []string, out surroundings) (reason string, rest []string, err error) {
	f := newFlags(name, out, outboxHelp)
	f.StringVar(&reason, "reason", "", "`text`: why it is given up; it is kept, and holds nobody's name")
	if err := parseFlags(f, args, out); err != nil {
		return "", nil, err
	}
	if reason = strings.TrimSpace(reason); reason == "" || len(reason) > 500 {
		return "", nil, usageError{fmt.Errorf("%s: --reason must say why, in up to 500 characters", name)}
	}
	return reason, f.Args(), nil
}

// recordDrop puts into the audit trail that something is given up, before it is.
func recordDrop(ctx context.Context, st store.Store, what, episodeID string) error {
	x := commandAccess("fhirsvc outbox")
	x.Interaction, x.Query = "operation", what
	if episodeID != "" {
		e, err := st.Load(ctx, episodeID)
		if err != nil && outcome.KindOf(err) != outcome.CodeNotFound {
			return err
		}
		if err == nil {
			x.Unit, x.Patient = e.Unit, []string{"Patient/" + e.Subject}
		}
	}
	return auditorOf(st).Record(ctx, x)
}

// eachName does something with each, whatever becomes of the others.
func eachName(names []waitingName, out surroundings, done string, do func(waitingName) error) error {
	var faults []error
	for _, w := range names {
		if err := do(w); err != nil {
			faults = append(faults, fmt.Errorf("%s: %w", w, err))
			continue
		}
		say(out.stdout, "%s %s\n", w, done)
	}
	return errors.Join(faults...)
}
