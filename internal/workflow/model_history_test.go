package workflow_test

import (
	"fmt"
	"time"

	"fhirsvc/internal/workflow"
)

// inTime are the inputs of which the future depends through ModelKey alone: found now, of
// a client, an order, a Task, the sender, or time.
func (b *bed) inTime() []workflow.Input {
	var list []workflow.Input
	for _, part := range [][]workflow.Input{b.seen(), b.air(), b.visits(), b.orders(), b.updates(), b.events(), b.waits()} {
		list = append(list, part...)
	}
	return list
}

// outOfOrder are the inputs that reach into the past: the second of two clients that
// charts what it found before the first, withdrawals, corrections, the same act twice,
// findings named for a Task, and other values in a corrected event.
func (b *bed) outOfOrder() []workflow.Input {
	list := b.backdated()
	list = append(list, b.corrections()...)
	list = append(list, b.named()...)
	ev := b.e.Events[len(b.e.Events)-1]
	ev.Order, ev.Recorded, ev.Volume = b.e.Last, b.e.Last, decimal("3")
	later := ev
	later.Volume, later.CompressionStart = b.e.Events[0].Volume, ev.CompressionStart.Add(4*time.Minute)
	return append(list, workflow.Started{Stamp: b.stamp(0), Event: ev}, workflow.Started{Stamp: b.stamp(0), Event: later})
}

func (b *bed) backdated() []workflow.Input {
	var list []workflow.Input
	for _, ago := range []time.Duration{time.Minute, 6 * time.Minute, 40 * time.Minute} {
		for _, f := range []workflow.Finding{
			b.finding(0, workflow.Bleeding, workflow.Haemostasis, nil),
			b.finding(0, workflow.Bleeding, workflow.Active, nil),
			b.finding(0, workflow.Patency, workflow.Occluded, nil),
			b.finding(0, workflow.AirRemoved, "", decimal("2")),
			b.finding(0, workflow.AirAdded, "", decimal("1")),
			b.finding(0, workflow.Band, workflow.BandOff, nil),
			b.finding(0, workflow.Hand, workflow.Abnormal, nil),
		} {
			f.Found, f.By = b.e.Last.Add(-ago), "nurse-2"
			list = append(list, b.chart(f))
		}
	}
	return list
}

// corrections take back or change each of the last findings, or repeat it under another id.
func (b *bed) corrections() []workflow.Input {
	var list []workflow.Input
	known := b.e.Findings[max(0, len(b.e.Findings)-6):]
	for _, f := range known {
		list = append(list, workflow.Charted{Stamp: b.stamp(0), Withdrawn: []workflow.Withdrawal{{Finding: f.ID, By: "nurse"}}})
		c := f
		c.Recorded = b.e.Last
		switch {
		case f.Code == workflow.Bleeding && f.Answer == workflow.Haemostasis:
			c.Answer = workflow.Active
		case f.Code == workflow.Bleeding:
			c.Answer = workflow.Haemostasis
		case f.Code == workflow.Patency:
			c.Answer = workflow.Occluded
		case f.Amount != nil && f.Code != workflow.Haematoma:
			c.Amount = decimal("1")
		default:
			continue
		}
		list = append(list, b.chart(c))
		if f.Amount != nil {
			twin := f
			twin.ID, twin.Recorded, twin.By = fmt.Sprintf("f%03d", len(b.e.Findings)), b.e.Last, "nurse-2"
			list = append(list, b.chart(twin))
		}
	}
	return list
}

// named are findings that a client says belong to a Task, fitting or not.
func (b *bed) named() []workflow.Input {
	var list []workflow.Input
	forward := b.finding(0, workflow.Patency, workflow.Patent, nil)
	forward.Method = workflow.Waveform
	other := b.finding(0, workflow.Bleeding, workflow.Haemostasis, nil)
	other.Side = workflow.Left
	for _, t := range b.handles() {
		for _, f := range []workflow.Finding{
			forward, other,
			b.finding(0, workflow.Bleeding, workflow.Haemostasis, nil),
			b.finding(0, workflow.AirRemoved, "", decimal("1")),
		} {
			u := workflow.TaskUpdate{Task: t.Key, By: "nurse", Outputs: []workflow.Output{{Code: f.Code, Finding: f.ID}}}
			list = append(list, workflow.Charted{Stamp: b.stamp(0), Findings: []workflow.Finding{f}, Updates: []workflow.TaskUpdate{u}})
		}
		if n := len(b.e.Findings); n > 0 {
			f := b.e.Findings[n-1]
			u := workflow.TaskUpdate{Task: t.Key, By: "nurse", Outputs: []workflow.Output{{Code: f.Code, Finding: f.ID}}}
			list = append(list, workflow.Charted{Stamp: b.stamp(0), Updates: []workflow.TaskUpdate{u}})
		}
	}
	return list
}

// refused are the only inputs that may be refused for what they say; each is at its edge.
func (b *bed) refused() []workflow.Input {
	limit := workflow.MustDecimal("18")
	if p := b.e.Protocol; p != nil {
		limit = p.DeviceMaximum
	}
	absurd := limit.Twice().Add(workflow.MustDecimal("0.1"))
	future := b.finding(0, workflow.Bleeding, workflow.Haemostasis, nil)
	future.Found = b.e.Last.Add(workflow.ClockDifference + tick)
	return []workflow.Input{
		b.chart(b.finding(0, workflow.AirRemoved, "", decimal("-0.1"))),
		b.chart(b.finding(0, workflow.AirVolume, "", nil)),
		b.chart(b.finding(0, workflow.AirAdded, "", &absurd)),
		b.chart(b.finding(0, workflow.AirRemoved, "", &absurd)),
		b.chart(b.finding(0, workflow.AirVolume, "", &absurd)),
		b.chart(future),
		workflow.Charted{Stamp: b.stamp(0), Updates: []workflow.TaskUpdate{{Task: workflow.TaskKey{Code: workflow.SiteCheck, Ordinal: 999}}}},
		workflow.Charted{Stamp: b.stamp(0), Withdrawn: []workflow.Withdrawal{{Finding: "nothing"}}},
		workflow.Charted{Stamp: b.stamp(0), Orders: []workflow.Order{{
			ID: "o", Code: workflow.OrderPauseRelease, Given: b.e.Last, Recorded: b.e.Last, Until: b.e.Last.Add(30*time.Minute + tick),
		}}},
	}
}
