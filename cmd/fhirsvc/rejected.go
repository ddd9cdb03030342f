package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strconv"
	"text/tabwriter"
	"time"

	"fhirsvc/internal/events"
)

const rejectedHelp = `Usage: fhirsvc rejected list
       fhirsvc rejected show [--original] NUMBER
       fhirsvc rejected replay NUMBER…|all
       fhirsvc rejected drop NUMBER…

Procedure events that the service refused, with the reason. 'replay' sends one to the
service again as it came, after its cause is gone; what is right by now starts its plan,
what is not is refused again. An event stays in the list until it is dropped, and one that
is refused again for the same reason is not listed twice. What was too long when it came
can't be replayed: its sender sends it again. 'show' prints what was sent, with whatever
it holds of patients.

Settings (environment):
  FHIRSVC_NATS_URL          the broker, nats://host:4222
  FHIRSVC_NATS_CREDENTIALS  file with NATS credentials

Exit code 1 if the broker is away or has no event of a number.
`

// neededByRejected: the broker alone.
func neededByRejected(s setting) bool { return s.name == "FHIRSVC_NATS_URL" }

func runRejected(ctx context.Context, args []string, out surroundings) error {
	f := newFlags("rejected", out, rejectedHelp)
	verb, rest, err := parseVerb(f, args, out)
	if err != nil {
		return err
	}
	act, err := rejectedAct(verb, rest, out)
	if err != nil {
		return err
	}
	config, err := ReadConfig(out.getenv, neededByRejected)
	if err != nil {
		return err
	}
	js, done, err := dialStreams(config)
	if err != nil {
		return err
	}
	defer done()
	refused, err := events.NewRefusedEvents(ctx, js)
	if err != nil {
		return err
	}
	return act(ctx, refused)
}

// rejectedAct is what is to be done, read before the broker is asked.
func rejectedAct(verb string, args []string, out surroundings) (func(context.Context, *events.RefusedEvents) error, error) {
	switch verb {
	case "list":
		return listRejected(out.stdout), parse(newFlags("rejected list", out, rejectedHelp), args, out)
	case "show":
		return showRejected(args, out)
	case "replay", "drop":
		return changeRejected(verb, args, out)
	}
	return nil, usageError{fmt.Errorf("rejected: want list, show, replay or drop, not %q", verb)}
}

func listRejected(to io.Writer) func(context.Context, *events.RefusedEvents) error {
	return func(ctx context.Context, refused *events.RefusedEvents) error {
		w := tabwriter.NewWriter(to, 0, 0, 2, ' ', 0)
		say(w, "NUMBER\tREFUSED AT\tSIZE\tCODE\tREASON\n")
		err := refused.Each(ctx, func(one events.Refused) error {
			code, text := firstIssue(one.Reason)
			say(w, "%d\t%s\t%d\t%s\t%s\n", one.Number, one.At.UTC().Format(time.RFC3339), size(one), code, text)
			return nil
		})
		return errors.Join(err, w.Flush())
	}
}

// size is that of the event as it came, in bytes.
func size(one events.Refused) int {
	if one.Truncated {
		return one.Size
	}
	return len(one.Original)
}

// firstIssue gives code and text of the first issue of an OperationOutcome.
func firstIssue(reason []byte) (code, text string) {
	var o struct {
		Issue []struct {
			Code    string
			Details struct{ Text string }
		}
	}
	if err := json.Unmarshal(reason, &o); err != nil || len(o.Issue) == 0 {
		return "unknown", "the reason can't be read"
	}
	return o.Issue[0].Code, o.Issue[0].Details.Text
}

func showRejected(args []string, out surroundings) (func(context.Context, *events.RefusedEvents) error, error) {
	f := newFlags("rejected show", out, rejectedHelp)
	original := f.Bool("original", false, "print the event alone, byte for byte")
	if err := parseFlags(f, args, out); err != nil {
		return nil, err
	}
	list, err := wantNumbers(f.Args())
	if err != nil || len(list) != 1 {
		return nil, usageError{errors.New("rejected show: want one number")}
	}
	return func(ctx context.Context, refused *events.RefusedEvents) error {
		one, err := refused.Get(ctx, list[0])
		if err != nil {
			return err
		}
		if *original {
			_, err = out.stdout.Write(one.Original)
			return err
		}
		var reason bytes.Buffer
		if err := json.Indent(&reason, one.Reason, "", "  "); err != nil {
			return err
		}
		say(out.stdout, "number %d, refused at %s, %d bytes of %q\n%s\n", one.Number, one.At.UTC().Format(time.RFC3339), size(one), one.ContentType, reason.Bytes())
		if one.Truncated {
			say(out.stdout, "what follows is the beginning alone; SHA-256 of the whole: %s\n", one.SHA256)
		}
		say(out.stdout, "%s\n", one.Original)
		return nil
	}, nil
}

func changeRejected(verb string, args []string, out surroundings) (func(context.Context, *events.RefusedEvents) error, error) {
	f := newFlags("rejected "+verb, out, rejectedHelp)
	if err := parseFlags(f, args, out); err != nil {
		return nil, err
	}
	all := verb == "replay" && f.NArg() == 1 && f.Arg(0) == "all"
	list, err := wantNumbers(f.Args())
	if !all && err != nil {
		return nil, err
	}
	return func(ctx context.Context, refused *events.RefusedEvents) error {
		if all {
			err := refused.Each(ctx, func(one events.Refused) error {
				if !one.Truncated {
					list = append(list, one.Number)
				}
				return nil
			})
			if err != nil {
				return err
			}
		}
		do, done := refused.Replay, "sent again"
		if verb == "drop" {
			do, done = refused.Drop, "dropped"
		}
		var faults []error
		for _, n := range list {
			if err := do(ctx, n); err != nil {
				faults = append(faults, err)
				continue
			}
			say(out.stdout, "%d %s\n", n, done)
		}
		return errors.Join(faults...)
	}, nil
}

func wantNumbers(args []string) ([]uint64, error) {
	var list []uint64
	for _, a := range args {
		n, err := strconv.ParseUint(a, 10, 64)
		if err != nil || n == 0 {
			return nil, usageError{fmt.Errorf("rejected: %q is not a number from 'fhirsvc rejected list'", a)}
		}
		list = append(list, n)
	}
	if len(list) == 0 {
		return nil, usageError{errors.New("rejected: want a number from 'fhirsvc rejected list'")}
	}
	return list, nil
}
