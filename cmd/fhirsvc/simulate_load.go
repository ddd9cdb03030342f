package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"net"
	"net/url"
	"time"

	"fhirsvc/internal/sandbox/load"
)

// The bounds of a run: a minute has room for a few thousand cases, a day is a day.
const (
	mostPerMinute = 6000
	longestLoad   = 24 * time.Hour
)

// loadFlags are how a load was asked for.
type loadFlags struct {
	rate       int
	http, nats string
	length     time.Duration
	hour       time.Duration
	remote     bool
}

func (l *loadFlags) add(f *flag.FlagSet) {
	f.IntVar(&l.rate, "rate", 0, "with --http: how many episodes begin in a minute on a running service, whatever becomes of those before")
	f.StringVar(&l.http, "http", "", "with --rate: `URL` of the service, such as http://127.0.0.1:8080")
	f.StringVar(&l.nats, "nats", "", "with --rate: `URL` of its broker; without it events go over HTTP")
	f.DurationVar(&l.length, "for", time.Minute, "with --rate: how long")
	f.DurationVar(&l.hour, "hour", 10*time.Second, "with --rate: how long an hour at the bedside takes on a service whose clock can't be asked")
	f.BoolVar(&l.remote, "remote", false, "with --rate: the service may be on another machine. Never put invented patients where there are real ones")
}

// onlyWithRate are the flags of a load, and onlyWithout those of a run against the core.
var (
	onlyWithRate = map[string]bool{"http": true, "nats": true, "for": true, "hour": true, "remote": true}
	onlyWithout  = map[string]bool{"episodes": true, "rates": true, "protocols": true}
)

// check says what is wrong with the flags.
func (l *loadFlags) check(f *flag.FlagSet) error {
	var faults []error
	f.Visit(func(given *flag.Flag) {
		switch {
		case l.rate == 0 && onlyWithRate[given.Name]:
			faults = append(faults, fmt.Errorf("--%s needs --rate", given.Name))
		case l.rate != 0 && onlyWithout[given.Name]:
			faults = append(faults, fmt.Errorf("--%s is for runs without --rate", given.Name))
		}
	})
	if l.rate == 0 {
		return errors.Join(faults...)
	}
	if l.rate < 1 || l.rate > mostPerMinute {
		faults = append(faults, fmt.Errorf("--rate: 1 to %d episodes a minute", mostPerMinute))
	}
	if l.length < time.Second || l.length > longestLoad {
		faults = append(faults, fmt.Errorf("--for: 1s to %s", longestLoad))
	}
	if l.hour < time.Second || l.hour > time.Hour {
		faults = append(faults, errors.New("--hour: 1s to 1h"))
	}
	faults = append(faults, l.address("--http", l.http))
	if l.nats != "" {
		faults = append(faults, l.address("--nats", l.nats))
	}
	return errors.Join(faults...)
}

// address refuses what is not on this machine, unless that was said.
func (l *loadFlags) address(name, text string) error {
	u, err := url.Parse(text)
	if err != nil || u.Hostname() == "" {
		return fmt.Errorf("%s: want a URL, such as http://127.0.0.1:8080", name)
	}
	ip := net.ParseIP(u.Hostname())
	if l.remote || u.Hostname() == "localhost" || ip != nil && ip.IsLoopback() {
		return nil
	}
	return fmt.Errorf("%s: %s is not this machine; say --remote if it is meant, and that there are no real patients", name, u.Host)
}

// runLoad has people work on a service and says what came of it. It fails if an episode was
// broken off or a request went wrong.
func runLoad(ctx context.Context, l loadFlags, seed uint64, out surroundings) error {
	say(out.stdout, "%d invented episodes a minute for %s on %s, seed %d.\n", l.rate, l.length, l.http, seed)
	figures, err := load.Run(ctx, load.Options{
		HTTP: l.http, NATS: l.nats, PerMinute: l.rate, For: l.length, Hour: l.hour, Seed: seed,
		Progress: func(line string) { say(out.stderr, "%s\n", line) },
	})
	if err != nil {
		return err
	}
	say(out.stdout, "%s\n\n", figures.Line())
	if err := figures.Write(out.stdout); err != nil {
		return err
	}
	for _, fault := range figures.Faults {
		say(out.stdout, "%s\n", fault)
	}
	if figures.Broken > 0 || figures.Wrong() > 0 {
		return fmt.Errorf("%d episodes were broken off, %d requests went wrong", figures.Broken, figures.Wrong())
	}
	return nil
}
