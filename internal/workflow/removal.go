package workflow

import (
	"slices"
	"time"
)

// planRemoval keeps the removal of the band on the road: a draft until no air is left,
// then offered on evidence. No result of a patency test holds an empty band on.
func (m *machine) planRemoval() {
	v := m.v
	if !v.bandOn() {
		return
	}
	w := want{
		key: m.next(BandRemoval, ""), status: TaskDraft, priority: Routine,
		text:     "Take the band off and look at the site.",
		required: BandRemoval.Asks(), window: v.begun(), offered: true,
	}
	empty := v.ledger.emptied
	if empty.IsZero() {
		if off := m.forecastOff(); !off.IsZero() {
			w.notBefore, w.due = off, off.Add(v.p.RemovalDue)
		}
		m.put(w)
		return
	}
	w.notBefore = v.watchedAt()
	w.due = w.notBefore.Add(v.p.RemovalDue)
	m.offer(&w, w.notBefore, m.removalStanding(), v.removalEvidence(empty, w.notBefore))
	m.put(w)
}

// watchedAt is when an empty band has been watched for long enough; a bleed restarts the
// watch.
func (v *view) watchedAt() time.Time {
	return later(v.ledger.emptied, v.site.dryAt).Add(v.p.WatchAtEmpty)
}

// removalStanding gives what withholds removal until a person settles it.
func (m *machine) removalStanding() []Withheld {
	v := m.v
	var list []Withheld
	if v.ledger.book().State != BookKnown {
		list = append(list, Withheld{Reason: "the volume in the band is in doubt", Lifter: byNurse})
	}
	if v.site.bleed != nil {
		list = append(list, Withheld{Reason: "the site bleeds", Lifter: byNurse})
	}
	return list
}

// removalEvidence gives what is missing before an empty band comes off: the site dry
// throughout the watch, and a patency test made or its absence charted.
func (v *view) removalEvidence(empty, watched time.Time) []Withheld {
	var list []Withheld
	look := v.site.last
	if look == nil || look.Answer != Haemostasis || look.When().Before(watched) {
		list = append(list, Withheld{Reason: "the site was not seen dry at the end of the watch", Lifter: byNurse + ", by a look at the site", Evidence: true})
	}
	if !v.testedSince(empty) {
		list = append(list, Withheld{Reason: "no patency test was made with the band empty, nor its absence charted", Lifter: byNurse + ", by a test", Evidence: true})
	}
	return list
}

// planDressing asks for the dressing once the band is off.
func (m *machine) planDressing() {
	v := m.v
	if m.dressed() || m.gone() {
		return
	}
	w := want{
		key: m.next(Dressing, ""), status: TaskDraft, priority: Routine,
		text: "Dress the puncture site, so that it can be seen; complete this Task when it is done.",
	}
	if v.bandOn() {
		w.notBefore = m.forecastOff()
	} else {
		w.status, w.notBefore = TaskReady, v.band.off
	}
	if !w.notBefore.IsZero() && !m.discharged() { // after that it can still be charted, and calls nobody
		w.due = w.notBefore.Add(v.p.DressingDue)
	}
	m.put(w)
}

// dressed reports whether the dressing was done since the band came off, or skipped for
// this band. One that was done on a band-off that was taken back covers nothing.
func (m *machine) dressed() bool {
	v, t := m.v, m.last(Dressing)
	switch {
	case t == nil || t.End.Before(v.start):
		return false
	case t.Skipped:
		return true
	}
	return t.Status == TaskCompleted && !v.bandOn() && !t.End.Before(v.band.off.Add(-v.p.Visit))
}

// planDischarge keeps the check before discharge on the road. It is bound to leaving,
// not to the clock: it has an earliest time and no due time, and calls nobody.
func (m *machine) planDischarge() {
	if m.discharged() {
		return
	}
	v := m.v
	w := want{
		key: m.next(DischargeCheck, ""), status: TaskDraft, priority: Routine,
		text:     "Before discharge: look at the site and the hand, and show that the radial artery is open.",
		required: v.p.Required[DischargeCheck],
	}
	w.notBefore = m.earliestDischarge()
	if !v.bandOn() && !w.notBefore.IsZero() && !m.at.Before(w.notBefore) {
		w.status = TaskReady
	}
	w.window = w.notBefore.Add(-v.p.Visit)
	m.dropOlder(w)
	if !v.bandOn() {
		m.wakeAt(w.notBefore)
	}
	m.put(w)
}

// dropOlder takes back what a check has of before a bleed that moved it.
func (m *machine) dropOlder(w want) {
	if t := m.e.Task(w.key); t != nil && !t.Status.Finished() && len(t.Outputs) > 0 && !w.notBefore.IsZero() {
		t.Outputs = slices.DeleteFunc(t.Outputs, func(o Output) bool { return m.foundAt(o.Finding).Before(w.window) })
	}
}

// earliestDischarge is forecast while the band is on; zero while that can't be told.
func (m *machine) earliestDischarge() time.Time {
	v := m.v
	off := later(v.band.off, v.site.dryOff)
	switch {
	case v.bandOn():
		off = m.forecastOff()
	case v.site.afterOff != nil:
		return time.Time{} // it is observed anew from when it is dry
	}
	if off.IsZero() {
		return time.Time{}
	}
	return later(off.Add(v.p.ObserveAfterRemoval), v.begun().Add(v.p.EarliestDischarge))
}

// offIfBleed is when the band could come off if the site bled after the next step: what
// went out is put back, the hold is kept, and smaller steps follow.
func (m *machine) offIfBleed() time.Time {
	v := m.v
	steps := v.road(m.at)
	if !v.bandOn() || len(steps) == 0 || v.site.bleed != nil {
		return time.Time{}
	}
	next := later(steps[0].at, m.at)
	left := v.ledger.volume.Sub(steps[0].volume).Add(Least(steps[0].volume, v.p.AddBackMax))
	t, last := next.Add(v.p.WatchAfterStep+v.p.HoldAfterBleed), next
	for n := 0; left.Sign() > 0; n++ {
		size := v.p.StepFrom(v.ledger.start)
		if n < v.p.DrySteps {
			size = v.p.StepAfterBleed
		}
		left, last = left.Sub(Least(size, left)), t
		t = t.Add(v.p.Interval)
	}
	return last.Add(v.p.WatchAtEmpty)
}

// forecastOff is when the band can come off if all goes to plan; zero while that can't
// be told.
func (m *machine) forecastOff() time.Time {
	v := m.v
	if !v.ledger.emptied.IsZero() {
		return v.watchedAt()
	}
	steps := v.road(m.at)
	if len(steps) == 0 {
		return time.Time{}
	}
	return steps[len(steps)-1].at.Add(v.p.WatchAtEmpty)
}
