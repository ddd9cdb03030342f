package bench

import (
	"fmt"
	"slices"
	"strings"
)

// Series is what one contender measured in several runs, in order.
type Series struct {
	Name    string
	Counted bool // allocations
	Samples []Sample
}

// Median gives the median of one figure over the runs.
func (s Series) Median(figure func(Sample) float64) float64 {
	values := make([]float64, len(s.Samples))
	for i, x := range s.Samples {
		values[i] = figure(x)
	}
	return median(values)
}

func median(values []float64) float64 {
	slices.Sort(values)
	n := len(values)
	return (values[(n-1)/2] + values[n/2]) / 2
}

// Pair is our runs and the peer's that came after them, round by round.
type Pair struct{ Ours, Peer Series }

// Ratio gives how many times the peer's figure ours is: the median over the rounds, of
// runs that were neighbours in time.
func (p Pair) Ratio(figure func(Sample) float64) float64 {
	ratios := make([]float64, len(p.Peer.Samples))
	for i, s := range p.Peer.Samples {
		ratios[i] = figure(p.Ours.Samples[i]) / figure(s)
	}
	return median(ratios)
}

// row is a line of the table: what is shown of a contender.
type row struct {
	label string
	cell  func(s Series) string
}

func rows() []row {
	one := func(format string, unit float64, figure func(Sample) float64) func(Series) string {
		return func(s Series) string { return fmt.Sprintf(format, s.Median(figure)/unit) }
	}
	counted := func(cell func(Series) string) func(Series) string {
		return func(s Series) string {
			if !s.Counted {
				return "not counted"
			}
			return cell(s)
		}
	}
	return []row{
		{"accepted of the set", one("%.0f", 1, func(s Sample) float64 { return float64(s.Accepted) })},
		{"resources a second of processor time", one("%.0f", 1, Sample.PerSecond)},
		{"resources a second by the clock", one("%.0f", 1, Sample.PerWallSecond)},
		{"p50, µs by the clock", one("%.0f", 1, func(s Sample) float64 { return s.P50 })},
		{"p99, µs by the clock", one("%.0f", 1, func(s Sample) float64 { return s.P99 })},
		{"p99, µs of processor time", one("%.0f", 1, func(s Sample) float64 { return s.P99CPU })},
		{"allocations a resource", counted(one("%.0f", 1, func(s Sample) float64 { return s.Allocs }))},
		{"kB allocated a resource", counted(one("%.1f", 1000, func(s Sample) float64 { return s.Bytes }))},
		{"the Task, µs", one("%.1f", 1, func(s Sample) float64 { return s.Task })},
		{"the Task, allocations", counted(one("%.0f", 1, func(s Sample) float64 { return s.TaskAllocs }))},
		{"ready, ms by the clock", one("%.0f", 1000, func(s Sample) float64 { return s.Ready })},
		{"ready, ms of processor time", one("%.0f", 1000, func(s Sample) float64 { return s.ReadyCPU })},
		{"every type met, ms after that", one("%.0f", 1000, func(s Sample) float64 { return s.AllTypes })},
		{"MB resident then", one("%.0f", 1024, func(s Sample) float64 { return s.Memory })},
		{"MB resident at most", one("%.0f", 1024, func(s Sample) float64 { return s.Peak })},
	}
}

// Table gives a column for each contender; ratios are those of ours to it, in the same
// order.
func Table(all []Series, ratios []string) string {
	var w strings.Builder
	line := func(label string, cell func(i int) string) {
		fmt.Fprintf(&w, "| %s |", label)
		for i := range all {
			fmt.Fprintf(&w, " %s |", cell(i))
		}
		fmt.Fprintln(&w)
	}
	line("", func(i int) string { return all[i].Name })
	fmt.Fprintln(&w, "|---|"+strings.Repeat("---|", len(all)))
	for _, r := range rows() {
		line(r.label, func(i int) string { return r.cell(all[i]) })
	}
	line("ours to it, by processor time", func(i int) string { return ratios[i] })
	return w.String()
}
