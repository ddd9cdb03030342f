package workflow

import (
	"fmt"
	"slices"
	"time"
)

// planned is one step of the road to an empty band.
type planned struct {
	at     time.Time
	volume Decimal
}

// nextRelease is the earliest time of the next step; the start of compression must be
// known.
func (v *view) nextRelease() time.Time {
	if o := v.orders.time; o != nil && v.inForce(o) {
		return o.Time
	}
	next := v.start.Add(v.firstRelease())
	if o := v.orders.time; o != nil {
		next = earlier(o.Time, next) // an order has opened the releases before the protocol would
	}
	if last := v.lastRelease(); !last.IsZero() {
		next = later(next, last.Add(v.p.Interval)) // a step done early brings no other forward
	}
	if !v.skipped.IsZero() {
		next = later(next, v.skipped.Add(v.p.Interval))
	}
	return later(next, v.site.hold)
}

// inForce reports whether an order for the next step still stands: it is for one step,
// also when that is refused, and ends at a bleed.
func (v *view) inForce(o *Order) bool {
	return o.Recorded.After(later(v.lastRelease(), later(v.skipped, v.site.lastAt)))
}

// firstRelease is the time to the first release for this patient.
func (v *view) firstRelease() time.Duration {
	if v.ev.INR != nil && v.p.HighINR.Less(*v.ev.INR) {
		return v.p.FirstReleaseHighINR
	}
	return v.p.FirstRelease
}

// stepVolume is how much the next step takes: smaller for some dry steps after a bleed.
func (v *view) stepVolume(ahead int) Decimal {
	if n := len(v.releases); n > 0 && !v.releases[n-1].told {
		ahead++ // the step just taken: its look is still missing
	}
	if v.site.bleeds > 0 && v.site.dry+ahead < v.p.DrySteps {
		return v.p.StepAfterBleed
	}
	return v.p.StepFrom(v.ledger.start)
}

// road forecasts the steps from what happened so far; empty while it can't be told.
// Steps that follow a late one are counted from now.
func (v *view) road(at time.Time) []planned {
	if v.e.Protocol == nil || v.start.IsZero() || v.ledger.book().State != BookKnown {
		return nil
	}
	var steps []planned
	t, left := v.nextRelease(), v.ledger.volume
	for n := 0; left.Sign() > 0; n++ {
		size := v.stepVolume(n)
		if o := v.orders.volume; n == 0 && o != nil && v.inForce(o) {
			size = *o.Amount
		}
		if size.Sign() <= 0 {
			size = v.p.StepFrom(v.ledger.start)
		}
		size = Least(size, left)
		left = left.Sub(size)
		steps = append(steps, planned{at: t, volume: size})
		if n == 0 && at.After(t.Add(v.p.ReleaseDue)) {
			t = at
		}
		t = t.Add(v.p.Interval)
	}
	return steps
}

// planRoad keeps a Task for each step still to come: the next one offered or withheld,
// the others as drafts.
func (m *machine) planRoad() {
	v := m.v
	if !v.bandOn() {
		return
	}
	open := m.openSteps()
	steps := v.road(m.at)
	if len(steps) == 0 {
		if v.ledger.emptied.IsZero() {
			m.planBlind(open)
		}
		return
	}
	for i, s := range steps {
		w := m.stepWant(m.stepKey(open, i), s, len(steps)-i)
		if i == 0 {
			m.offerStep(&w)
		}
		m.put(w)
	}
}

func (m *machine) stepWant(key TaskKey, s planned, left int) want {
	text := fmt.Sprintf("Let %s mL out of the band, then look at the site.", s.volume)
	if left == 1 {
		text = fmt.Sprintf("Let the last %s mL out: draw until nothing comes, then look at the site.", s.volume)
	}
	volume := s.volume
	return want{
		key: key, status: TaskDraft, priority: Routine, text: text,
		notBefore: s.at, due: s.at.Add(m.v.p.ReleaseDue), planned: &volume,
		required: ReleaseStep.Asks(), window: later(m.v.begun(), m.v.ledger.changed), offered: true,
	}
}

// offer decides whether an act is offered now: before its time it is a draft, with a
// standing reason against it on-hold, and at its time ready if there is evidence.
func (m *machine) offer(w *want, at time.Time, standing, evidence []Withheld) {
	book := m.v.ledger.book()
	switch {
	case len(standing) > 0:
		w.status, w.withheld, w.book = TaskOnHold, slices.Concat(standing, evidence), &book
		for _, r := range standing {
			m.wakeAt(r.Again)
		}
	case m.at.Before(at):
	case len(evidence) > 0:
		w.status, w.withheld, w.book = TaskOnHold, evidence, &book
	default:
		w.status, w.book = TaskReady, &book
	}
	m.wakeAt(at)
}

// offerStep offers or withholds the next step, and asks again when its evidence expires.
func (m *machine) offerStep(w *want) {
	m.offer(w, w.notBefore, m.v.standing(m), m.v.evidence(m.at))
	m.wakeAt(m.v.lookExpires())
}

// openSteps gives the steps that are not taken yet and keeps those whose look is still
// missing.
func (m *machine) openSteps() []TaskKey {
	var open []TaskKey
	for i := range m.e.Tasks {
		t := &m.e.Tasks[i]
		if t.Key.Code != ReleaseStep || t.Status.Finished() {
			continue
		}
		if t.Has(AirRemoved) {
			m.keepWatching(t, m.v.p.WatchAfterStep)
			continue
		}
		open = append(open, t.Key)
	}
	return open
}

// keepWatching keeps a Task whose act is done and whose look is missing.
func (m *machine) keepWatching(t *Task, watch time.Duration) {
	m.put(want{
		key: t.Key, status: TaskReady, priority: t.Priority, text: "The air was changed: look at the site now.",
		notBefore: t.Window, due: t.Window.Add(watch), planned: t.Planned, required: t.Required, window: t.Window,
	})
}

func (m *machine) stepKey(open []TaskKey, i int) TaskKey {
	if i < len(open) {
		return open[i]
	}
	return TaskKey{Code: ReleaseStep, Ordinal: m.count(ReleaseStep, "") + 1}
}

// planBlind keeps the road while the volume or the start is not known: nothing is
// planned, the next step says why. An order to go on to empty offers step by step.
func (m *machine) planBlind(open []TaskKey) {
	for i := range max(1, len(open)) {
		w := want{
			key: m.stepKey(open, i), status: TaskDraft, priority: Routine,
			text:     "Let air out of the band, then look at the site. How much can't be said before the volume is settled.",
			required: ReleaseStep.Asks(), window: later(m.v.begun(), m.v.ledger.changed),
		}
		if i == 0 {
			m.offerBlind(&w)
		}
		m.put(w)
	}
}

func (m *machine) offerBlind(w *want) {
	v := m.v
	if v.orders.toEmpty != nil && !v.start.IsZero() {
		step := v.stepVolume(0)
		w.text = fmt.Sprintf("Let %s mL out of the band, then look at the site; ordered to go on until the syringe draws nothing.", step)
		w.planned, w.notBefore = &step, v.nextRelease()
		w.due, w.offered = w.notBefore.Add(v.p.ReleaseDue), true
		m.offerStep(w)
		return
	}
	book := v.ledger.book()
	w.status, w.withheld, w.book = TaskOnHold, v.standing(m), &book
}
