package main

import (
	"fmt"

	"fhirsvc/internal/conformance/bench"
)

// The order in which the others run after ours.
const (
	npmFHIR = iota
	medplum
	google
	walk
)

// goals holds what was measured to what was asked of the validator. They go by the
// processor's time: the clock tells of whoever else is on the machine as well.
func goals(pairs []bench.Pair) []bench.Goal {
	ours := together(pairs)
	at := func(figure func(bench.Sample) float64, unit float64) float64 { return ours.Median(figure) / unit }
	task := pairs[walk].Ratio(func(s bench.Sample) float64 { return s.Task })
	return []bench.Goal{
		bench.AtLeast("resources a second, times npm fhir", 3, 5, pairs[npmFHIR].Ratio(bench.Sample.PerSecond)),
		bench.AtLeast("resources a second, times medplum", 12, 20, pairs[medplum].Ratio(bench.Sample.PerSecond)),
		bench.Below("p99, µs of processor time", 500, 300, at(func(s bench.Sample) float64 { return s.P99CPU }, 1)),
		bench.Below("Task of a kilobyte, times a token walk", 4, 4, task),
		bench.Below("ready for the first resource, ms of processor time, process start included", 20, 20, at(func(s bench.Sample) float64 { return s.ReadyCPU }, 1000)),
		bench.Below("all types, MB resident", 30, 30, at(func(s bench.Sample) float64 { return s.Memory }, 1024)),
	}
}

// together is all runs of ours, whoever came after.
func together(pairs []bench.Pair) bench.Series {
	all := bench.Series{Name: pairs[0].Ours.Name, Counted: true}
	for _, p := range pairs {
		all.Samples = append(all.Samples, p.Ours.Samples...)
	}
	return all
}

func table(pairs []bench.Pair) string {
	all := []bench.Series{together(pairs)}
	ratios := []string{""}
	for _, p := range pairs {
		all = append(all, p.Peer)
		ratios = append(ratios, fmt.Sprintf("%.1f", p.Ratio(bench.Sample.PerSecond)))
	}
	return bench.Table(all, ratios)
}
