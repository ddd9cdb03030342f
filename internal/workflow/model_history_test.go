package workflow_test

import (
	"fmt"
	"slices"
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
	ev.Order, ev.Recorded, ev.Volume = b.now(), b.now(), decimal("3")
	later := ev
	later.Volume, later.CompressionStart = b.e.Events[0].Volume, ev.CompressionStart.Add(4*time.Minute)
	return append(list, workflow.Started{Stamp: b.stamp(), Event: ev}, workflow.Started{Stamp: b.stamp(), Event: later})
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
			f.Found, f.By = b.now().Add(-ago), "nurse-2"
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
		list = append(list, workflow.Charted{Stamp: b.stamp(), Withdrawn: []workflow.Withdrawal{{Finding: f.ID, By: "nurse"}}})
		c := f
		c.Recorded = b.now()
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
			twin.ID, twin.Recorded, twin.By = fmt.Sprintf("f%03d", len(b.e.Findings)), b.now(), "nurse-2"
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
			list = append(list, workflow.Charted{Stamp: b.stamp(), Findings: []workflow.Finding{f}, Updates: []workflow.TaskUpdate{u}})
		}
		if n := len(b.e.Findings); n > 0 {
			f := b.e.Findings[n-1]
			u := workflow.TaskUpdate{Task: t.Key, By: "nurse", Outputs: []workflow.Output{{Code: f.Code, Finding: f.ID}}}
			list = append(list, workflow.Charted{Stamp: b.stamp(), Updates: []workflow.TaskUpdate{u}})
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
	future.Found = b.now().Add(workflow.ClockDifference + tick)
	return []workflow.Input{
		b.chart(b.finding(0, workflow.AirRemoved, "", decimal("-0.1"))),
		b.chart(b.finding(0, workflow.AirVolume, "", nil)),
		b.chart(b.finding(0, workflow.AirAdded, "", &absurd)),
		b.chart(b.finding(0, workflow.AirRemoved, "", &absurd)),
		b.chart(b.finding(0, workflow.AirVolume, "", &absurd)),
		b.chart(future),
		workflow.Charted{Stamp: b.stamp(), Updates: []workflow.TaskUpdate{{Task: workflow.TaskKey{Code: workflow.SiteCheck, Ordinal: 999}}}},
		workflow.Charted{Stamp: b.stamp(), Withdrawn: []workflow.Withdrawal{{Finding: "nothing"}}},
		workflow.Charted{Stamp: b.stamp(), Orders: []workflow.Order{{
			ID: "o", Code: workflow.OrderPauseRelease, Given: b.now(), Recorded: b.now(), Until: b.now().Add(30*time.Minute + tick),
		}}},
	}
}

// essential are the inputs that move an episode most, for the walks that take two of them.
func essential(b *bed) []workflow.Input {
	find := func(code workflow.FindingCode, answers ...workflow.Answer) []workflow.Input {
		var list []workflow.Input
		for _, a := range answers {
			list = append(list, b.chart(b.finding(0, code, a, nil)))
		}
		return list
	}
	missing := b.finding(0, workflow.Bleeding, "", nil)
	missing.Missing = workflow.CouldNotAssess
	late := b.finding(0, workflow.Bleeding, workflow.Active, nil)
	late.Found = late.Found.Add(-6 * time.Minute)
	tingling := b.finding(0, workflow.Hand, workflow.Abnormal, nil)
	tingling.Signs = []workflow.HandSign{workflow.HandTingling}
	list := slices.Concat(
		[]workflow.Input{b.chart(tingling), b.chart(b.finding(0, workflow.Anticoagulant, "", nil))},
		find(workflow.Bleeding, workflow.Haemostasis, workflow.Oozing, workflow.Active),
		find(workflow.Patency, workflow.Patent, workflow.Occluded), find(workflow.Condition, workflow.Faint, workflow.Well),
		find(workflow.Hand, workflow.Abnormal), find(workflow.Band, workflow.BandOn, workflow.BandDisplaced, workflow.BandOff, workflow.BandReplaced),
		[]workflow.Input{b.chart(missing), b.chart(late)},
		b.changes("2"), b.answers(), b.stops(),
	)
	if !b.wake.IsZero() {
		list = append(list, until(b.wake.Add(-tick)), until(b.wake))
	}
	if n := len(b.e.Findings); n > 0 {
		list = append(list, workflow.Charted{Stamp: b.stamp(), Withdrawn: []workflow.Withdrawal{{Finding: b.e.Findings[n-1].ID, By: "nurse"}}})
	}
	return append(list, until(b.e.Last.Add(6*time.Hour)))
}

// changes are a step out, a step in, and a count that contradicts the book.
func (b *bed) changes(step string) []workflow.Input {
	off := b.e.Plan.Summary.Book.Volume.Add(workflow.MustDecimal("0.5"))
	if off.Sign() < 0 {
		off = workflow.Decimal{}
	}
	return []workflow.Input{
		b.chart(b.finding(0, workflow.AirRemoved, "", decimal(step))), b.chart(b.finding(0, workflow.AirAdded, "", decimal(step))),
		b.chart(b.finding(0, workflow.AirVolume, "", &off)),
	}
}

// answers are what people do to reviews and to the look at the site.
func (b *bed) answers() []workflow.Input {
	var list []workflow.Input
	owner := "nurse-2"
	for _, t := range b.handles() {
		do := func(u workflow.TaskUpdate) {
			u.Task, u.By = t.Key, "nurse"
			list = append(list, workflow.Charted{Stamp: b.stamp(), Updates: []workflow.TaskUpdate{u}})
		}
		switch t.Key.Code {
		case workflow.ClinicianReview:
			do(workflow.TaskUpdate{Status: workflow.TaskCompleted})
			do(workflow.TaskUpdate{Status: workflow.TaskCancelled, Reason: "busy"})
		case workflow.SiteCheck, workflow.ReleaseStep:
			do(workflow.TaskUpdate{Status: workflow.TaskInProgress, Owner: &owner})
			do(workflow.TaskUpdate{Status: workflow.TaskRejected, Reason: "declined"})
		case workflow.ArrivalCheck, workflow.RecordBandVolume, workflow.PatencyCheck, workflow.RestoreCompression, workflow.EaseCompression,
			workflow.BandRemoval, workflow.Dressing, workflow.PostRemovalCheck, workflow.ControlBleeding, workflow.ConfirmBandState,
			workflow.SettleVolume, workflow.DischargeCheck, workflow.Titration, workflow.PatientTeaching, workflow.UlnarCompression:
		}
	}
	return list
}

// stops are the orders and events that change the whole plan.
func (b *bed) stops() []workflow.Input {
	orders, events := b.orders(), b.events()
	return []workflow.Input{orders[0], orders[1], orders[9], orders[10], orders[12], events[2], events[6], events[8]}
}
