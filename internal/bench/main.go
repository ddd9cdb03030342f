package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/signal"
	"runtime/debug"
	"syscall"
	"time"

	"fhirsvc/internal/sandbox"
)

// limit is the longest that the whole may take.
const limit = 10 * time.Minute

type options struct {
	server, program string
	workers         int // at once, of everything
	patients        int // in each round
	rounds          int
	apart           bool   // the database has a processor of its own
	part            string // "" for all
	profile         string
}

// The parts that may be measured alone.
const (
	findings = "findings"
	events   = "events"
	dueTimes = "due"
)

// wants reports whether a part is to be measured.
func (o options) wants(part string) bool { return o.part == "" || o.part == part }

// profileOf gives the file for the profile of a part, "" for none. Of all, findings have one.
func (o options) profileOf(part string) string {
	if part == o.part || o.part == "" && part == findings {
		return o.profile
	}
	return ""
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	var o options
	flag.StringVar(&o.server, "database", os.Getenv("FHIRSVC_TEST_DATABASE_URL"), "`URL` of a PostgreSQL database from which others are created")
	flag.StringVar(&o.program, "fhirsvc", "bin/fhirsvc", "the `program`")
	flag.IntVar(&o.workers, "workers", 16, "how many work at once")
	flag.IntVar(&o.patients, "patients", 128, "patients in each round")
	flag.IntVar(&o.rounds, "rounds", 3, "how often all is measured; the medians are shown")
	flag.BoolVar(&o.apart, "apart", false, "give the database server a processor of its own, and all else the others")
	flag.StringVar(&o.part, "part", "", "measure findings, events or due (times) alone; the `part` also says what the profile is of")
	flag.StringVar(&o.profile, "profile", "", "`file` for a profile of the service's processor time while findings (or the part) are taken in, in groups, in this process")
	flag.Parse()
	var err error
	switch flag.Arg(0) {
	case "broker":
		err = runBroker(ctx, flag.Arg(1))
	case "echo":
		err = runEcho(ctx)
	default:
		debug.SetGCPercent(400) // as the program does
		ctx, cancel := context.WithTimeout(ctx, limit)
		defer cancel()
		err = run(ctx, o)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "bench:", err)
		os.Exit(1)
	}
}

// runBroker is the broker as a process of its own, so that its processor time is told apart.
func runBroker(ctx context.Context, folder string) error {
	b, err := sandbox.StartBroker("127.0.0.1:0", folder)
	if err != nil {
		return err
	}
	defer b.Close()
	fmt.Fprintf(os.Stderr, "address=%s \n", b.URL())
	<-ctx.Done()
	return nil
}

func run(ctx context.Context, o options) (err error) {
	s, err := newSite(ctx, o.server, o.program)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.close()) }()
	if o.apart {
		end, err := s.apart()
		if err != nil {
			return err
		}
		defer func() { err = errors.Join(err, end()) }()
	}
	var all []result
	for round := range o.rounds {
		r, err := s.round(ctx, o, round)
		if err != nil {
			return fmt.Errorf("round %d: %w", round+1, err)
		}
		all = append(all, r)
		fmt.Fprintf(os.Stderr, "round %d of %d\n", round+1, o.rounds)
	}
	fmt.Print(report(o, all))
	return nil
}
