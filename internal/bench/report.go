package main

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// row is a line of the report: a load, and the bare one that it is held against.
type row struct {
	part    string // "" for none
	name    string
	of      func(result) figures
	against func(result) figures
}

func lines() []row {
	return []row{
		{"", "echo alone, the same body", func(r result) figures { return r.echo }, nil},
		{"", "JetStream alone, the same events published", func(r result) figures { return r.publish }, nil},
		{findings, "findings, bare rows", func(r result) figures { return r.bareCharts }, nil},
		{findings, "findings over HTTP", func(r result) figures { return r.charts }, func(r result) figures { return r.bareCharts }},
		{findings, "findings in one process, a transaction each", func(r result) figures { return r.single }, nil},
		{findings, "findings in one process, in groups", func(r result) figures { return r.grouped }, func(r result) figures { return r.single }},
		{events, "events, bare rows", func(r result) figures { return r.bareEvents }, nil},
		{events, "events over JetStream", func(r result) figures { return r.events }, func(r result) figures { return r.bareEvents }},
		{dueTimes, "due times, bare rows", func(r result) figures { return r.bareDue }, nil},
		{dueTimes, "due times fired in one process", func(r result) figures { return r.due }, func(r result) figures { return r.bareDue }},
	}
}

// report gives the table. Figures are medians over the rounds, ratios medians of the ratios
// of each round, the lowest and the highest of which stand beside the rate's.
func report(o options, all []result) string {
	var w strings.Builder
	layout := "All processes share the processors"
	if o.apart {
		layout = "The database server has a processor of its own, all else the others"
	}
	fmt.Fprintf(&w, "%s; %d at once, %d patients with %d findings each, medians of %d rounds.\n\n", layout, o.workers, o.patients, charted, len(all))
	if o.wants(findings) {
		fmt.Fprintf(&w, "A finding brings %.0f rows of the search index bare and %.0f as the program wrote them.\n\n",
			median(all, func(r result) float64 { return r.rows[0] }), median(all, func(r result) float64 { return r.rows[1] }))
	}
	fmt.Fprint(&w, "Each ratio is to the line with bare rows above it; in groups, to a transaction each. In one process the client is the service.\n\n")
	fmt.Fprintln(&w, "| | a second | p50 ms | p99 ms | database ms | service ms | broker ms | client ms | of the bare rate | times its p99 | times its processor time |")
	fmt.Fprintln(&w, "|---|---:|---:|---:|---:|---:|---:|---:|---:|---:|---:|")
	for _, l := range lines() {
		if !o.wants(l.part) || l.of(all[0]).done == 0 {
			continue // not a part of what was measured
		}
		one := func(value func(figures) float64) float64 {
			return median(all, func(r result) float64 { return value(l.of(r)) })
		}
		each := func(pick func(usage) time.Duration) float64 {
			return one(func(f figures) float64 { return ms(f.each(pick(f.cpu))) })
		}
		fmt.Fprintf(&w, "| %s | %.0f | %.1f | %.1f | %.2f | %.2f | %.2f | %.2f |", l.name, one(figures.rate),
			one(func(f figures) float64 { return ms(f.share(0.5)) }), one(func(f figures) float64 { return ms(f.share(0.99)) }),
			each(func(u usage) time.Duration { return u.database }), each(func(u usage) time.Duration { return u.service }),
			each(func(u usage) time.Duration { return u.broker }), each(func(u usage) time.Duration { return u.client }))
		if l.against == nil {
			fmt.Fprintln(&w, " | | |")
			continue
		}
		share := func(r result) float64 { return 100 * l.of(r).rate() / l.against(r).rate() }
		shares := valuesOf(all, share)
		fmt.Fprintf(&w, " %.0f %% (%.0f to %.0f) | %s | %.1f |\n", median(all, share), shares[0], shares[len(shares)-1], timesP99(all, l),
			median(all, func(r result) float64 {
				return ms(l.of(r).each(l.of(r).cpu.all())) / ms(l.against(r).each(l.against(r).cpu.all()))
			}))
	}
	return w.String()
}

// timesP99 gives how many times the bare p99 it is; "–" where single ones are not timed.
func timesP99(all []result, l row) string {
	if len(l.of(all[0]).latency) == 0 {
		return "–"
	}
	return fmt.Sprintf("%.1f", median(all, func(r result) float64 { return ms(l.of(r).share(0.99)) / ms(l.against(r).share(0.99)) }))
}

func ms(d time.Duration) float64 { return d.Seconds() * 1000 }

func median(all []result, value func(result) float64) float64 {
	values := valuesOf(all, value)
	n := len(values)
	return (values[(n-1)/2] + values[n/2]) / 2
}

// valuesOf gives a value of each round, sorted.
func valuesOf(all []result, value func(result) float64) []float64 {
	values := make([]float64, len(all))
	for i, r := range all {
		values[i] = value(r)
	}
	slices.Sort(values)
	return values
}
