package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"
	_ "time/tzdata" // a base image has no time zones, and TZ may name one
)

// The exit codes.
const (
	exitOK     = 0
	exitFailed = 1
	exitUsage  = 2 // wrong flags or configuration
)

// usageError is a fault of whoever started the program; its text says what to change.
type usageError struct{ error }

func (e usageError) Unwrap() error { return e.error }

// surroundings are what a command may use of the world outside.
type surroundings struct {
	getenv func(string) string
	stdin  io.Reader
	stdout io.Writer
	stderr io.Writer
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	context.AfterFunc(ctx, stop) // a second signal ends it at once
	out := surroundings{getenv: os.Getenv, stdin: os.Stdin, stdout: os.Stdout, stderr: os.Stderr}
	code := run(ctx, os.Args[1:], out)
	stop()
	os.Exit(code)
}

// command is one subcommand.
type command struct {
	name    string
	summary string
	run     func(ctx context.Context, args []string, out surroundings) error
}

func commands() []command {
	return []command{
		{"sandbox", "the whole service on this machine, with nothing to install", runSandbox},
		{"serve", "the service on an external NATS and PostgreSQL, configured by FHIRSVC_*", runServe},
		{"migrate", "bring the database to this version's schema", runMigrate},
		{"restored", "make a database that was restored from a backup fit to go on", runRestored},
		{"purge", "remove what a site no longer keeps, by its own rule", runPurge},
		{"sheet", "a page to print from a protocol, for the hours without this service", runSheet},
		{"validate", "check FHIR R4 files against the published definitions and the profiles", runValidate},
		{"conformance", "write the FHIR package: profiles, codes, messages, examples", runConformance},
		{"rejected", "events that the service refused: list, show, replay, drop", runRejected},
		{"probe", "ask a running service whether it is ready", runProbe},
		{"outbox", "changes that a reader refused: list, retry, drop, end", runOutbox},
		{"simulate", "episodes by chance against the core: rules, band times, visits", runSimulate},
	}
}

// run is the program without its process: it returns the exit code.
func run(ctx context.Context, args []string, out surroundings) int {
	if len(args) == 0 {
		usage(out.stderr)
		return exitUsage
	}
	switch args[0] {
	case "--version", "-version", "version":
		say(out.stdout, "fhirsvc %s\n", version())
		return exitOK
	case "--help", "-help", "-h", "help":
		usage(out.stdout)
		return exitOK
	}
	for _, c := range commands() {
		if c.name == args[0] {
			return exitCode(c.run(ctx, args[1:], out), out.stderr)
		}
	}
	say(out.stderr, "fhirsvc: there is no command %q\n\n", args[0])
	usage(out.stderr)
	return exitUsage
}

// say writes for a person. One who has gone away hears nothing.
func say(w io.Writer, format string, args ...any) { _, _ = fmt.Fprintf(w, format, args...) }

// exitCode says on stderr what went wrong, once.
func exitCode(err error, stderr io.Writer) int {
	var wrong usageError
	switch {
	case err == nil, errors.Is(err, flag.ErrHelp):
		return exitOK
	case errors.As(err, &wrong):
		say(stderr, "fhirsvc: %v\n", err)
		return exitUsage
	default:
		say(stderr, "fhirsvc: %v\n", err)
		return exitFailed
	}
}

// caution stands on every help text, since the work can hurt someone.
const caution = `fhirsvc schedules and documents. It never decides treatment: local policy and the
responsible clinician do. No practising clinician has reviewed it yet.
`

func usage(w io.Writer) {
	say(w, `fhirsvc holds the clock of a radial compression band after a catheterization through
the wrist: when to look, when to release how much air, what is late.

Usage: fhirsvc COMMAND [flags]

`)
	for _, c := range commands() {
		say(w, "  %-11s %s\n", c.name, c.summary)
	}
	say(w, "  %-11s %s\n\n", "--version", "print the version")
	say(w, "'fhirsvc COMMAND --help' tells more. New here? Try 'fhirsvc sandbox --play'.\n\n%s", caution)
}

// newFlags returns a flag set whose help begins with the text.
func newFlags(name string, out surroundings, text string) *flag.FlagSet {
	f := flag.NewFlagSet(name, flag.ContinueOnError)
	f.SetOutput(out.stderr)
	f.Usage = func() {
		say(f.Output(), "%s\n", text)
		f.PrintDefaults()
		say(f.Output(), "\n%s", caution)
	}
	return f
}

// parse reads the flags of a command that takes no further arguments.
func parse(f *flag.FlagSet, args []string, out surroundings) error {
	if err := parseFlags(f, args, out); err != nil {
		return err
	}
	if f.NArg() > 0 {
		return usageError{fmt.Errorf("%s: unexpected argument %q; all settings are flags", f.Name(), f.Arg(0))}
	}
	return nil
}

// parseFlags reads the flags before the first argument. Asked for help, it gives it on
// stdout.
func parseFlags(f *flag.FlagSet, args []string, out surroundings) error {
	for _, a := range args {
		if a == "-h" || a == "-help" || a == "--help" {
			f.SetOutput(out.stdout)
		}
	}
	err := f.Parse(args)
	switch {
	case errors.Is(err, flag.ErrHelp):
		return err
	case err != nil:
		return usageError{fmt.Errorf("%s: see above", f.Name())}
	}
	return nil
}

// parseVerb reads flags, a verb and what belongs to it; "" when there is none.
func parseVerb(f *flag.FlagSet, args []string, out surroundings) (verb string, rest []string, err error) {
	if err := parseFlags(f, args, out); err != nil {
		return "", nil, err
	}
	if f.NArg() == 0 {
		return "", nil, nil
	}
	return f.Arg(0), f.Args()[1:], nil
}
