package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"runtime"
	"time"

	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/profiles"
	"fhirsvc/internal/fhir/validate"
)

const validateHelp = `Usage: fhirsvc validate [flags] FILE…

Checks FHIR R4 (4.0.1) JSON against the published definitions and, where one fits what a
resource says, against this project's profiles: bedside findings, orders, the procedure
and its message. Names, cardinality, types, codes, references, invariants, narratives and
slices are checked; no server is asked and nothing is changed.

FILE is a resource or a Bundle (.json), a resource a line (.ndjson), a folder with such
files, read through, or - for standard input. Other files in a folder are left aside.

Each fault is a line on standard output,

  FILE:LINE:COL severity code expression text

where the expression is the FHIRPath of the element, or - for the whole, and the severity
fatal (it can't be read), error, warning or information. A sound resource has no line.
With --format json each resource has its OperationOutcome, a line each; diagnostics says
where the fault is. Counts and speed come last, on standard error.

Exit code 0 without errors, 1 with errors, 2 if something could not be read or checked.

  fhirsvc validate Task.json
  fhirsvc validate export/ > faults.txt
  zcat Observation.ndjson.gz | fhirsvc validate --format json -

Flags:`

// The formats of the answer.
const (
	formatText = "text"
	formatJSON = "json"
)

// validateFlags are how a check was asked for.
type validateFlags struct {
	format  string
	profile string
	files   []string
}

func runValidate(ctx context.Context, args []string, out surroundings) error {
	o, err := parseValidate(args, out)
	if err != nil {
		return err
	}
	options, held, err := o.options()
	if err != nil {
		return usageError{err}
	}
	sources, err := sourcesOf(o.files, out.stdin)
	if err != nil {
		return usageError{err}
	}
	c := checking{validator: validate.New(options), held: held, workers: runtime.GOMAXPROCS(0)}
	r := newTally(out.stdout, o.format)
	began := time.Now()
	show := watch(ctx, out.stderr, r, began)
	failed := c.check(ctx, sources, r)
	show.stop(context.WithoutCancel(ctx))
	say(out.stderr, "%s\n", r.summary(len(sources.files), sources.others, time.Since(began)))
	return verdict(ctx, r, held, failed)
}

// verdict says why the exit code is not 0. What could not be read or checked outranks
// what is wrong.
func verdict(ctx context.Context, r *tally, held *definitions.Profile, failed []error) error {
	switch {
	case ctx.Err() != nil:
		return usageError{errors.New("validate: interrupted before the end")}
	case r.writing != nil:
		return usageError{fmt.Errorf("validate: %w", r.writing)}
	case len(failed) > 0:
		return usageError{errors.Join(failed...)}
	case r.resources.Load() == 0:
		return usageError{errors.New("validate: there is no resource in what was named")}
	case held != nil && r.held == 0:
		return usageError{fmt.Errorf("validate: there is no %s, so nothing was held to the profile %s", held.Type, held.URL)}
	case r.faulty > 0:
		return fmt.Errorf("validate: %s with errors", counted(r.faulty, "resource"))
	}
	return nil
}

// parseValidate reads flags and files in any order.
func parseValidate(args []string, out surroundings) (validateFlags, error) {
	var o validateFlags
	f := newFlags("validate", out, validateHelp)
	f.StringVar(&o.format, "format", formatText, "text, or json for an OperationOutcome a resource")
	f.StringVar(&o.profile, "profile", "", "canonical URL of a profile that each resource of its type must fit as well")
	for rest := args; ; rest = f.Args()[1:] {
		if err := parseFlags(f, rest, out); err != nil {
			return o, err
		}
		if f.NArg() == 0 {
			break
		}
		o.files = append(o.files, f.Arg(0))
	}
	switch {
	case o.format != formatText && o.format != formatJSON:
		return o, usageError{fmt.Errorf("validate: --format is text or json, not %q", o.format)}
	case len(o.files) == 0:
		return o, usageError{errors.New("validate: name a file, a folder, or - for standard input")}
	}
	return o, nil
}

// options are what resources are held to; held is the profile that was asked for, nil
// when none was.
func (o validateFlags) options() (validate.Options, *definitions.Profile, error) {
	options := profiles.Strict()
	if o.profile == "" {
		return options, nil, nil
	}
	held := profiles.Find(o.profile)
	if held == nil {
		text := "validate: no profile is known here as " + o.profile + "; of this project there are:"
		for _, p := range profiles.All() {
			text += "\n  " + p.URL
		}
		return options, nil, errors.New(text)
	}
	options.Require = map[string][]string{held.Type: {held.URL}}
	return options, held, nil
}

// watch shows on a terminal how far a long check is. Elsewhere it shows nothing.
func watch(ctx context.Context, w io.Writer, r *tally, began time.Time) worker {
	const patience, pace = time.Second, 200 * time.Millisecond
	return start(func(stopped context.Context) {
		if !isTerminal(w) {
			return
		}
		shown := false
		for stopped.Err() == nil && ctx.Err() == nil {
			wait(stopped, pace)
			if took := time.Since(began); took > patience && stopped.Err() == nil {
				say(w, "\r\x1b[K%s", r.progress(took))
				shown = true
			}
		}
		if shown {
			say(w, "\r\x1b[K")
		}
	})
}
