package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strings"
	"time"

	"fhirsvc/internal/conformance"
	"fhirsvc/internal/conformance/bench"
)

const (
	document = "docs/validation.md"
	taskFile = "internal/fhir/validate/testdata/valid/Task.json"
	// The whole ends within this time, or fails.
	limit = 160 * time.Second
	// A round more than leastRounds begins only within this time.
	enough      = 90 * time.Second
	leastRounds = 3
)

type options struct {
	built, npm string
	rounds     int
	update     bool
}

func main() {
	var o options
	flag.StringVar(&o.built, "built", "", "`folder` of the built contenders")
	flag.StringVar(&o.npm, "npm", "", "`folder` of npm's installed packages")
	flag.IntVar(&o.rounds, "rounds", 5, "how often all run; on a busy machine fewer, but no fewer than 3")
	flag.BoolVar(&o.update, "update", false, "rewrite the tables of "+document)
	flag.Parse()
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	ctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	if err := run(ctx, o); err != nil {
		fmt.Fprintln(os.Stderr, "bench-validate:", err)
		os.Exit(1)
	}
}

func run(ctx context.Context, o options) error {
	if o.rounds < leastRounds {
		return fmt.Errorf("%d rounds, want at least %d", o.rounds, leastRounds)
	}
	work, err := published(taskFile)
	if err != nil {
		return err
	}
	folder := filepath.Join(o.built, "work")
	if err := work.Write(folder); err != nil {
		return err
	}
	walker, err := exec.CommandContext(ctx, filepath.Join(o.built, "walk"), "name").Output()
	if err != nil {
		return fmt.Errorf("walk: %w", err)
	}
	pairs, err := measure(ctx, o, folder, "walk of "+strings.TrimSpace(string(walker)))
	if err != nil {
		return err
	}
	goals := goals(pairs)
	text := fmt.Sprintf("%d examples, mean %d bytes; the Task has %d; medians of %d rounds; load average %s.\n\n%s\n%s",
		len(work.Set), work.Mean(), len(work.Task), len(pairs[0].Peer.Samples), load(), table(pairs), bench.GoalTable(goals))
	fmt.Print(text)
	if o.update {
		if err := rewrite(text); err != nil {
			return err
		}
	}
	for _, g := range goals {
		if !g.Met() {
			err = errors.Join(err, fmt.Errorf("a floor is not met: %s", g.What))
		}
	}
	return err
}

// measure runs all in turn, ours before each other.
func measure(ctx context.Context, o options, folder, walker string) ([]bench.Pair, error) {
	ours := goContender(o, "ours", "fhirsvc")
	peers := []bench.Contender{
		npmFHIR: nodeContender(o, "fhir"),
		medplum: nodeContender(o, "medplum"),
		google:  goContender(o, "google", "google/fhir/go"),
		walk:    goContender(o, "walk", walker),
	}
	pairs := make([]bench.Pair, len(peers))
	start := time.Now()
	for round := range o.rounds {
		if round >= leastRounds && time.Since(start) > enough {
			break
		}
		for i, peer := range peers {
			if err := add(ctx, ours, folder, &pairs[i].Ours); err != nil {
				return nil, err
			}
			if err := add(ctx, peer, folder, &pairs[i].Peer); err != nil {
				return nil, err
			}
		}
		fmt.Fprintf(os.Stderr, "round %d of %d\n", round+1, o.rounds)
	}
	return pairs, nil
}

func add(ctx context.Context, c bench.Contender, folder string, to *bench.Series) error {
	s, err := c.Run(ctx, folder)
	if err != nil {
		return err
	}
	to.Name, to.Counted = c.Name, c.Counted
	to.Samples = append(to.Samples, s)
	return nil
}

func goContender(o options, program, name string) bench.Contender {
	return bench.Contender{
		Name: name, Command: []string{filepath.Join(o.built, program)}, Env: []string{"GOMAXPROCS=1"}, Counted: true,
		Budget: bench.Budget{Warm: 200 * time.Millisecond, Measure: 500 * time.Millisecond},
	}
}

// nodeContender is warmed up for longer: V8 compiles while it runs.
func nodeContender(o options, name string) bench.Contender {
	return bench.Contender{
		Name: "npm " + name, Command: []string{"node", ".ci/conformance/bench.cjs", name}, Env: []string{"NODE_PATH=" + o.npm},
		Budget: bench.Budget{Warm: time.Second, Measure: 700 * time.Millisecond},
	}
}

// load gives the load averages of the machine, as Linux tells them.
func load() string {
	body, err := os.ReadFile("/proc/loadavg")
	if err != nil {
		return "unknown"
	}
	return strings.Join(strings.Fields(string(body))[:3], " ")
}

func rewrite(text string) error {
	old, err := os.ReadFile(document)
	if err != nil {
		return err
	}
	whole, err := conformance.Replace(string(old), "bench", text)
	if err != nil {
		return err
	}
	return os.WriteFile(document, []byte(whole), 0o644)
}
