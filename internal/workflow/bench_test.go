package workflow_test

import (
	"fmt"
	"testing"
	"time"

	"fhirsvc/internal/workflow"
)

// BenchmarkStep charts a look at the site in an episode that has some hours behind it.
func BenchmarkStep(b *testing.B) {
	start := day.Add(10 * time.Hour)
	volume := workflow.MustDecimal("15")
	ev := workflow.Event{
		Order: start, Recorded: start, Kind: workflow.Intervention, Side: workflow.Right,
		CompressionStart: start, Volume: &volume, Refs: workflow.Refs{Subject: "Patient/p1"},
	}
	p, why := workflow.Select(protocols, ev)
	e := workflow.New("e1", p, why)
	look := func(n int) workflow.Input {
		at := start.Add(time.Duration(n) * 5 * time.Minute)
		return workflow.Charted{
			Stamp: workflow.Stamp{At: at, ID: fmt.Sprintf("i%d", n)},
			Findings: []workflow.Finding{
				{ID: fmt.Sprintf("b%d", n), Code: workflow.Bleeding, Found: at, Recorded: at, Answer: workflow.Haemostasis},
				{ID: fmt.Sprintf("h%d", n), Code: workflow.Hand, Found: at, Recorded: at, Entry: 1, Answer: workflow.Normal},
			},
		}
	}
	e, _, err := workflow.Step(e, workflow.Started{Stamp: workflow.Stamp{At: start, ID: "i0"}, Event: ev})
	for n := 1; n < 40 && err == nil; n++ {
		e, _, err = workflow.Step(e, look(n))
	}
	if err != nil {
		b.Fatal(err)
	}
	next := look(40)
	b.ReportAllocs()
	for b.Loop() {
		if _, _, err := workflow.Step(e, next); err != nil {
			b.Fatal(err)
		}
	}
}
