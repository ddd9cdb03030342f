package workflow_test

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"fhirsvc/internal/workflow"
)

// bed is an episode as the model check holds it: the state and when it asked to be woken.
type bed struct {
	e    workflow.Episode
	wake time.Time
}

// tick is the smallest step of time: just before and just after an instant.
const tick = time.Microsecond

// now is when the next input of a client comes: inputs of an episode have rising instants.
func (b *bed) now() time.Time { return b.e.Last.Add(tick) }

// finding makes a finding of the wrist, found and charted now.
func (b *bed) finding(n int, code workflow.FindingCode, answer workflow.Answer, amount *workflow.Decimal) workflow.Finding {
	f := workflow.Finding{
		ID: fmt.Sprintf("f%03d", len(b.e.Findings)+n), Code: code, Found: b.now(), Recorded: b.now(), Entry: n, By: "nurse",
		Answer: answer, Amount: amount,
	}
	if code == workflow.Patency {
		f.Method = workflow.WaveformUlnarCompressed
	}
	return f
}

func (b *bed) stamp() workflow.Stamp { return workflow.Stamp{At: b.now(), ID: "i"} }

// until lets time pass.
func until(at time.Time) workflow.Input {
	return workflow.Elapsed{Stamp: workflow.Stamp{At: at, ID: "i"}}
}

func (b *bed) chart(findings ...workflow.Finding) workflow.Input {
	return workflow.Charted{Stamp: b.stamp(), Findings: findings}
}

// coded are the findings with a coded answer. Bleeding, patency, hand and band have every
// answer; where two answers lead the same way in worry.go both are here all the same.
var coded = []struct {
	code    workflow.FindingCode
	answers []workflow.Answer
}{
	{workflow.Bleeding, []workflow.Answer{workflow.Haemostasis, workflow.Oozing, workflow.Active}},
	{workflow.Patency, []workflow.Answer{workflow.Patent, workflow.Occluded, workflow.Indeterminate}},
	{workflow.Pulse, []workflow.Answer{workflow.Normal, workflow.Weak, workflow.Absent}},
	{workflow.Hand, []workflow.Answer{workflow.Normal, workflow.Abnormal}},
	{workflow.Condition, []workflow.Answer{workflow.Well, workflow.Faint, workflow.Collapsed, workflow.ChestPain}},
	{workflow.Haematoma, []workflow.Answer{workflow.Absent, workflow.Present}},
	{workflow.Band, []workflow.Answer{
		workflow.BandOn, workflow.BandDisplaced, workflow.BandOverUlnar, workflow.BandOff, workflow.BandReplaced, workflow.BandNeverApplied,
	}},
}

// seen are all findings without an amount that a nurse may chart now, as one entry each,
// each code also as not done and as impossible to assess.
func (b *bed) seen() []workflow.Input {
	var list []workflow.Input
	for _, c := range coded {
		for _, a := range c.answers {
			list = append(list, b.chart(b.finding(0, c.code, a, nil)))
		}
	}
	codes := []workflow.FindingCode{
		workflow.Bleeding, workflow.Patency, workflow.Hand, workflow.Band, workflow.AirVolume, workflow.AirRemoved,
		workflow.AirAdded, workflow.CompressionStart, workflow.Pulse, workflow.Haematoma, workflow.Condition,
	}
	for _, code := range codes {
		for _, why := range []workflow.Missing{workflow.NotPerformed, workflow.CouldNotAssess} {
			f := b.finding(0, code, "", nil)
			f.Missing = why
			list = append(list, b.chart(f))
		}
	}
	for _, cm := range []string{"5", "5.1", "10.1"} {
		list = append(list, b.chart(b.finding(0, workflow.Haematoma, workflow.Present, decimal(cm))))
	}
	list = append(list, b.suffering()...)
	weak := b.finding(0, workflow.Patency, workflow.Patent, nil)
	weak.Method = workflow.Waveform
	start := b.finding(0, workflow.CompressionStart, "", nil)
	start.Instant = b.now().Add(-10 * time.Minute)
	return append(list, b.chart(weak), b.chart(start), b.chart(b.finding(0, workflow.OtherFinding, "", nil)))
}

// suffering are the findings of hand, haematoma, pain and pressure at the edges of what
// calls whom, and an anticoagulant given on the way.
func (b *bed) suffering() []workflow.Input {
	var list []workflow.Input
	for _, signs := range [][]workflow.HandSign{
		{workflow.HandTingling}, {workflow.HandWeak}, {workflow.HandCold, workflow.HandNumb}, {workflow.HandCold, workflow.HandNumb, workflow.HandSlowRefill},
	} {
		f := b.finding(0, workflow.Hand, workflow.Abnormal, nil)
		f.Signs = signs
		list = append(list, b.chart(f))
	}
	for _, grade := range []int{1, 2, 3, 5} {
		f := b.finding(0, workflow.Haematoma, workflow.Present, decimal("4"))
		f.Grade = grade
		list = append(list, b.chart(f))
	}
	list = append(list, b.chart(b.finding(0, workflow.Haematoma, workflow.Present, decimal("6"))))
	for _, score := range []string{"3", "6", "7"} {
		list = append(list, b.chart(b.finding(0, workflow.Pain, "", decimal(score))))
	}
	for _, mmHg := range []string{"130", "91", "90", "89"} {
		list = append(list, b.chart(b.finding(0, workflow.Pressure, "", decimal(mmHg))))
	}
	before := b.finding(0, workflow.Anticoagulant, "", nil)
	before.Drug, before.Found = workflow.GlycoproteinInhibitor, b.e.Events[0].PerformedEnd.Add(-time.Hour)
	return append(list, b.chart(b.finding(0, workflow.Anticoagulant, "", nil)), b.chart(before))
}

// air are changes and counts of air at the edges of the book and of the device.
func (b *bed) air() []workflow.Input {
	book, limit := b.e.Plan.Summary.Book.Volume, workflow.MustDecimal("6")
	step := workflow.MustDecimal("2")
	if p := b.e.Protocol; p != nil {
		limit, step = p.DeviceMaximum, p.Step
	}
	more := workflow.MustDecimal("0.5")
	volumes := map[workflow.FindingCode][]workflow.Decimal{
		workflow.AirVolume:  {{}, book, book.Add(more), limit, limit.Add(more), limit.Twice()},
		workflow.AirRemoved: {{}, step, book, book.Add(more), limit.Twice()},
		workflow.AirAdded:   {{}, step, limit.Sub(book), limit.Sub(book).Add(more), limit.Twice()},
	}
	var list []workflow.Input
	for _, code := range []workflow.FindingCode{workflow.AirVolume, workflow.AirRemoved, workflow.AirAdded} {
		var done []string
		for _, v := range volumes[code] {
			if text := v.String(); v.Sign() >= 0 && !slices.Contains(done, text) {
				done = append(done, text)
				list = append(list, b.chart(b.finding(0, code, "", &v)))
			}
		}
	}
	return list
}

// visits are several findings in one entry: a bleed handled first and charted later, a
// step with its look, a step twice with a count, an empty band taken off, and findings of
// the other hand.
func (b *bed) visits() []workflow.Input {
	two := decimal("2")
	dry := func(n int) workflow.Finding { return b.finding(n, workflow.Bleeding, workflow.Haemostasis, nil) }
	active := func(n int) workflow.Finding { return b.finding(n, workflow.Bleeding, workflow.Active, nil) }
	other := active(0)
	other.Side = workflow.Left
	otherAir := b.finding(0, workflow.AirRemoved, "", two)
	otherAir.Side = workflow.Left
	ahead := dry(0)
	ahead.Found = b.now().Add(workflow.ClockDifference)
	return []workflow.Input{
		b.chart(b.finding(0, workflow.AirRemoved, "", two), active(1), b.finding(2, workflow.AirAdded, "", two), dry(3)),
		b.chart(b.finding(0, workflow.AirRemoved, "", two), dry(1)),
		b.chart(b.finding(0, workflow.AirRemoved, "", two), b.finding(1, workflow.AirRemoved, "", two), b.finding(2, workflow.AirVolume, "", two)),
		b.chart(active(0), dry(1)),
		b.chart(active(0), b.finding(1, workflow.Patency, workflow.Occluded, nil)),
		b.chart(dry(0), b.finding(1, workflow.Patency, workflow.Patent, nil), b.finding(2, workflow.Band, workflow.BandOff, nil)),
		b.chart(other), b.chart(otherAir), b.chart(ahead),
	}
}

// orders are the orders of nurse and clinician.
func (b *bed) orders() []workflow.Input {
	order := func(code workflow.OrderCode, pause, at time.Duration, amount string) workflow.Input {
		o := workflow.Order{
			ID: fmt.Sprintf("o%03d", len(b.e.Orders)), Code: code, Given: b.now(), Recorded: b.now(),
			By: "clinician", Reason: "reason", Until: b.now().Add(pause), Time: b.now().Add(at),
		}
		if amount != "" {
			o.Amount = decimal(amount)
		}
		return workflow.Charted{Stamp: b.stamp(), Orders: []workflow.Order{o}}
	}
	return []workflow.Input{
		order(workflow.OrderHold, 0, 0, ""),
		order(workflow.OrderResume, 0, 0, ""),
		order(workflow.OrderPauseRelease, 30*time.Minute, 0, ""),
		order(workflow.OrderPauseRelease, 3*time.Minute, 0, ""),
		order(workflow.OrderOverrideTime, 0, 0, ""),
		order(workflow.OrderOverrideTime, 0, 45*time.Minute, ""),
		order(workflow.OrderOverrideVolume, 0, 0, "1"),
		order(workflow.OrderOverrideVolume, 0, 0, "6"),
		order(workflow.OrderAdjustVolume, 0, 0, "0"),
		order(workflow.OrderAdjustVolume, 0, 0, "2"),
		order(workflow.OrderContinueToEmpty, 0, 0, ""),
		order(workflow.OrderNoBandPlan, 0, 0, ""),
		order(workflow.OrderStopPlan, 0, 0, ""),
	}
}

// updates are what a client may do to an open Task: of each kind and purpose the first
// and, where there is one, the last.
func (b *bed) updates() []workflow.Input {
	var list []workflow.Input
	add := func(u workflow.TaskUpdate) {
		u.By = "nurse"
		list = append(list, workflow.Charted{Stamp: b.stamp(), Updates: []workflow.TaskUpdate{u}})
	}
	owner, nobody := "nurse-2", ""
	for _, t := range b.handles() {
		if t.Status == workflow.TaskInProgress {
			add(workflow.TaskUpdate{Task: t.Key, Status: workflow.TaskReady, Owner: &nobody})
		}
		if t.Status == workflow.TaskReady {
			add(workflow.TaskUpdate{Task: t.Key, Status: workflow.TaskInProgress, Owner: &owner})
			add(workflow.TaskUpdate{Task: t.Key, Status: workflow.TaskInProgress})
		}
		add(workflow.TaskUpdate{Task: t.Key, Status: workflow.TaskCompleted})
		add(workflow.TaskUpdate{Task: t.Key, Status: workflow.TaskCancelled, Reason: "asleep"})
		add(workflow.TaskUpdate{Task: t.Key, Status: workflow.TaskRejected, Reason: "declined"})
	}
	return list
}

// handles are of the open Tasks of each code and purpose the first and the last, in an
// order that does not depend on when they were made.
func (b *bed) handles() []workflow.Task {
	var open []workflow.Task
	for _, t := range b.e.Tasks {
		if !t.Status.Finished() {
			open = append(open, t)
		}
	}
	kind := func(t workflow.Task) string { return string(t.Key.Code) + "/" + t.Key.Purpose }
	slices.SortStableFunc(open, func(a, b workflow.Task) int { return strings.Compare(kind(a), kind(b)) })
	var list []workflow.Task
	for i, t := range open {
		inside := i > 0 && i+1 < len(open) && kind(open[i-1]) == kind(t) && kind(open[i+1]) == kind(t)
		if !inside {
			list = append(list, t)
		}
	}
	return list
}

// events are what the sender may still say of the procedure, and where the patient goes.
func (b *bed) events() []workflow.Input {
	now := b.now()
	again := func(change func(ev *workflow.Event)) workflow.Input {
		ev := b.e.Events[len(b.e.Events)-1]
		ev.Order, ev.Recorded = now, now
		change(&ev)
		return workflow.Started{Stamp: b.stamp(), Event: ev}
	}
	other := map[workflow.Side]workflow.Side{workflow.Right: workflow.Left, workflow.Left: workflow.Right}
	return []workflow.Input{
		again(func(*workflow.Event) {}),
		again(func(ev *workflow.Event) { ev.Order = b.e.Events[0].Order.Add(-time.Minute) }),
		again(func(ev *workflow.Event) { ev.Side = other[ev.Side] }),
		again(func(ev *workflow.Event) { ev.Refs.Subject = "Patient/p2" }),
		again(func(ev *workflow.Event) { ev.Kind = workflow.Intervention }),
		again(func(ev *workflow.Event) { ev.OtherPlan = "episode-2" }),
		workflow.Revoked{Stamp: b.stamp(), Order: now, Reason: "entered-in-error"},
		workflow.Revoked{Stamp: b.stamp(), Order: now, Reason: "not-done"},
		workflow.Relocated{Stamp: b.stamp(), Found: now},
		workflow.Relocated{Stamp: b.stamp(), Found: now, Ended: true},
	}
}

// waits let time pass: to just before, at and just after the instant that the episode
// asked for, to each due time and just before it, and for a long gap.
func (b *bed) waits() []workflow.Input {
	now := b.e.Last
	var list []workflow.Input
	var done []time.Time
	add := func(at time.Time) {
		if at.After(now) && !slices.ContainsFunc(done, at.Equal) {
			done = append(done, at)
			list = append(list, until(at))
		}
	}
	if !b.wake.IsZero() {
		add(b.wake.Add(-tick))
		add(b.wake)
		add(b.wake.Add(tick))
	}
	for _, t := range b.e.Tasks {
		if !t.Status.Finished() && !t.Due.IsZero() {
			add(t.Due.Add(-tick))
			add(t.Due)
		}
	}
	add(now.Add(6 * time.Hour))
	slices.SortFunc(list, func(a, b workflow.Input) int { return a.(workflow.Elapsed).At.Compare(b.(workflow.Elapsed).At) })
	return list
}

func decimal(text string) *workflow.Decimal {
	d := workflow.MustDecimal(text)
	return &d
}
