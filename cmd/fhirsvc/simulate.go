package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"fhirsvc/api"
	"fhirsvc/internal/fhir"
	"fhirsvc/internal/simulation"
	"fhirsvc/internal/workflow"
)

const simulateHelp = `Usage: fhirsvc simulate [flags]

Plays invented episodes against the clinical core, from a seed: wrists that bleed and clot
by chance, nurses who come late and chart late, a clinician who is asked. After each step
the rules are checked, and every episode must end. At the end it sets the figures beside
published ones and draws how long bands stayed on, for each protocol by itself.

Without --rate it needs no service, no network and no database, and touches none: what it
plays is the core alone, not what is on the wire. The rates come from papers that contradict one another, and
partly from judgement (docs/simulation.md): the figures are no forecast for any patient
and no evidence for any protocol. About a hundred episodes a second.

With --rate it plays on a running service over the wire instead: so many episodes begin in a
minute, however slow the service is; the people read its Tasks, chart and complete them,
and come late by chance. On a sandbox they go by its clock. Where the clock can't be asked
(serve), each episode lies some hours back and is charted afterwards, as from paper. It
stops by itself after --for, and tells rates, times and errors. Only this machine is taken,
unless --remote is said: invented patients have no place among real ones.

Exit code 1 if a rule was broken or an episode did not end; each is named by its seed and
number, so that it can be played again. With --rate, if a request went wrong.

Flags:`

// mostEpisodes bounds a run: about a day.
const mostEpisodes = 10_000_000

// simulateFlags are how a run was asked for.
type simulateFlags struct {
	episodes  int
	seed      uint64
	rates     string
	protocols string
	load      loadFlags
}

func runSimulate(ctx context.Context, args []string, out surroundings) error {
	var o simulateFlags
	f := newFlags("simulate", out, simulateHelp)
	f.IntVar(&o.episodes, "episodes", 1000, "how many, shared among the protocols in turn")
	f.Uint64Var(&o.seed, "seed", 1, "the same seed gives the same episodes")
	f.StringVar(&o.rates, "rates", "low-bleed", "what happens by chance: low-bleed or high-bleed")
	f.StringVar(&o.protocols, "protocols", "", "folder of protocols (PlanDefinition JSON); default: the shipped drafts")
	o.load.add(f)
	if err := parse(f, args, out); err != nil {
		return err
	}
	if err := o.load.check(f); err != nil {
		return usageError{err}
	}
	if o.load.rate > 0 {
		return runLoad(ctx, o.load, o.seed, out)
	}
	rates, err := simulation.Named(o.rates)
	if err != nil {
		return usageError{fmt.Errorf("--rates: %w", err)}
	}
	protocols, err := simulated(o.protocols)
	if err != nil {
		return usageError{fmt.Errorf("--protocols: %w", err)}
	}
	if o.episodes < len(protocols) || o.episodes > mostEpisodes {
		return usageError{fmt.Errorf("--episodes: %d to %d, at least one for each protocol", len(protocols), mostEpisodes)}
	}
	ward := simulation.Ward{Protocols: protocols, Rates: rates, Seed: o.seed}
	results := ward.Run(o.episodes, progress(ctx, o.episodes, out))
	if err := ctx.Err(); err != nil {
		return fmt.Errorf("stopped after %d of %d episodes: %w", len(results), o.episodes, err)
	}
	return report(ward, results, out)
}

// simulated reads the protocols of a folder, or the shipped ones.
func simulated(dir string) ([]*workflow.Protocol, error) {
	var bodies [][]byte
	for _, body := range api.Protocols() {
		bodies = append(bodies, body)
	}
	if dir != "" {
		var err error
		if bodies, err = readProtocols(dir); err != nil {
			return nil, err
		}
	}
	var protocols []*workflow.Protocol
	var faults []error
	for _, body := range bodies {
		p, issues := fhir.ParseProtocol(body)
		if p == nil {
			for _, i := range issues {
				faults = append(faults, errors.New(i.String()))
			}
			continue
		}
		protocols = append(protocols, p)
	}
	return protocols, errors.Join(faults...)
}

// progress says on stderr how far the run is, at each tenth of it, and ends it with ctx.
func progress(ctx context.Context, episodes int, out surroundings) func(done int) bool {
	began := time.Now()
	return func(done int) bool {
		if done*10/episodes > (done-1)*10/episodes {
			say(out.stderr, "%d of %d episodes, %.0f s\n", done, episodes, time.Since(began).Seconds())
		}
		return ctx.Err() == nil
	}
}

// report writes the figures of each protocol and fails if an episode had a fault.
func report(ward simulation.Ward, results []simulation.Result, out surroundings) error {
	say(out.stdout, "%d invented episodes, seed %d, rates %s. Times from the start of compression.\n"+
		"Mean ± SD; the published figures are of other bands, volumes and patients.\n", len(results), ward.Seed, ward.Rates.Name)
	for i, p := range ward.Protocols {
		var own []simulation.Result
		for n := i; n < len(results); n += len(ward.Protocols) {
			own = append(own, results[n])
		}
		say(out.stdout, "\n%s\n%s, %d episodes\n\n", p.Title, p.Canonical(), len(own))
		if err := simulation.WriteTable(out.stdout, simulation.Compare(simulation.Summarise(own))); err != nil {
			return err
		}
		say(out.stdout, "\nband time, min\n")
		if err := simulation.WriteHistogram(out.stdout, own); err != nil {
			return err
		}
	}
	return faultsOf(ward, results, out)
}

// faultsOf names the first few episodes with a fault.
func faultsOf(ward simulation.Ward, results []simulation.Result, out surroundings) error {
	const shown = 10
	faults, steps := 0, 0
	for _, r := range results {
		steps += r.Steps
		if r.Fault == "" {
			continue
		}
		if faults++; faults <= shown {
			say(out.stdout, "seed %d, episode %d, %s: %s\n", ward.Seed, r.Number, r.Protocol.Canonical(), r.Fault)
		}
	}
	if faults > 0 {
		return fmt.Errorf("%d of %d episodes broke a rule or did not end", faults, len(results))
	}
	say(out.stdout, "\n%d steps, no rule broken, all episodes ended.\n", steps)
	return nil
}
