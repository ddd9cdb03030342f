package bench

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"strconv"
	"time"
)

// Sample is what a contender measured of itself in one run. Times are in microseconds.
type Sample struct {
	ReadyCPU   float64 `json:"readyCPU"`   // processor time until the first resource was judged
	AllTypes   float64 `json:"allTypes"`   // from the first resource until every type was met
	Memory     float64 `json:"memory"`     // kB resident when every type was met
	Peak       float64 `json:"peak"`       // kB resident at most
	Accepted   int     `json:"accepted"`   // of the set
	Count      int     `json:"count"`      // resources judged while it was measured
	Wall       float64 `json:"wall"`       // for that count
	CPU        float64 `json:"cpu"`        // of all threads, for that count
	P50        float64 `json:"p50"`        // of one resource, by the clock
	P99        float64 `json:"p99"`        // of one resource, by the clock
	P99CPU     float64 `json:"p99CPU"`     // of one resource, processor time
	Allocs     float64 `json:"allocs"`     // a resource; 0 where the runtime does not count
	Bytes      float64 `json:"bytes"`      // allocated a resource; 0 where the runtime does not count
	Task       float64 `json:"task"`       // of the Task, the median of batches
	TaskAllocs float64 `json:"taskAllocs"` // of the Task

	Ready float64 `json:"-"` // from the start of the process, by the clock of who started it
}

// PerSecond gives resources a second of processor time: what one core does that nobody
// else uses.
func (s Sample) PerSecond() float64 { return float64(s.Count) / s.CPU * 1e6 }

// PerWallSecond gives resources a second by the clock, whoever else used the core.
func (s Sample) PerWallSecond() float64 { return float64(s.Count) / s.Wall * 1e6 }

// Budget is the processor time of one run, after what loading takes.
type Budget struct{ Warm, Measure time.Duration }

// args are the arguments of a contender: the folder of the work, and the budget in
// milliseconds.
func (b Budget) args(folder string) []string {
	return []string{folder, strconv.FormatInt(b.Warm.Milliseconds(), 10), strconv.FormatInt(b.Measure.Milliseconds(), 10)}
}

// Contender is a program that measures itself.
type Contender struct {
	Name    string
	Command []string
	Env     []string // beside the caller's
	Budget  Budget
	Counted bool // its runtime counts allocations
}

// Run runs the contender once over the work in the folder.
func (c Contender) Run(ctx context.Context, folder string) (Sample, error) {
	args := append(c.Command[1:len(c.Command):len(c.Command)], c.Budget.args(folder)...)
	cmd := exec.CommandContext(ctx, c.Command[0], args...)
	cmd.Env = append(os.Environ(), c.Env...)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		return Sample{}, err
	}
	start := time.Now()
	if err := cmd.Start(); err != nil {
		return Sample{}, fmt.Errorf("%s: %w", c.Name, err)
	}
	s, err := listen(bufio.NewScanner(out), start)
	if err := errors.Join(err, cmd.Wait(), ctx.Err()); err != nil {
		return Sample{}, fmt.Errorf("%s: %w", c.Name, err)
	}
	return s, nil
}

// listen reads the two lines that a contender writes: ready, and the sample.
func listen(in *bufio.Scanner, start time.Time) (Sample, error) {
	if !in.Scan() || in.Text() != "ready" {
		return Sample{}, fmt.Errorf("said %q instead of ready", in.Text())
	}
	ready := time.Since(start)
	var s Sample
	if !in.Scan() {
		return s, errors.New("gave no result")
	}
	if err := json.Unmarshal(in.Bytes(), &s); err != nil {
		return s, fmt.Errorf("result: %w", err)
	}
	if s.Count == 0 || s.CPU <= 0 || s.Wall <= 0 {
		return s, errors.New("measured nothing")
	}
	s.Ready = micros(ready)
	return s, nil
}

func micros(d time.Duration) float64 { return float64(d.Nanoseconds()) / 1e3 }
