package workflow

import (
	"fmt"
	"time"
)

// planSite keeps one look at the site open while a band may be on. The next is counted
// from the last whole real look; looks that were missed are not stacked.
func (m *machine) planSite() {
	v := m.v
	if !v.bandOn() {
		return
	}
	base, done := m.lastSiteCheck()
	interval := v.p.SiteCheckThen
	if done < v.p.SiteCheckCount {
		interval = v.p.SiteCheckFirst
	}
	due := base.Add(interval)
	if base.IsZero() {
		due = later(firstOf(v.first, v.begun()).Add(interval), v.ev.Recorded.Add(v.p.ArrivalDue)) // an event that comes late asks once
	} else if next := m.nextAct(); !next.IsZero() && next.Before(due) && !next.Before(due.Add(-v.p.Visit)) {
		due = next // acts due within minutes of each other are one visit
	}
	if !v.ledger.emptied.IsZero() {
		if watched := v.watchedAt(); base.Before(watched) {
			due = earlier(watched, due)
		}
	}
	if by := v.lookSooner(base); !by.IsZero() {
		due = earlier(by, due)
	}
	if v.band.odd != nil && v.band.odd.When().After(base) {
		due = earlier(v.band.odd.When(), due)
	}
	text := "Look at the access site and the hand: bleeding, swelling, colour, warmth, feeling, movement."
	if v.body.swelling != nil {
		text += " Measure the haematoma again."
	}
	if !v.site.puzzle.IsZero() {
		due = earlier(v.site.puzzle.Add(v.p.LookAfterAdd), due)
		text = "Air was put back and no bleeding is charted: chart what was seen. " + text
	}
	m.put(want{
		key: m.next(SiteCheck, ""), status: TaskReady, priority: Routine, text: text,
		notBefore: later(v.begun(), base), due: due, book: m.bookNow(),
		required: v.p.Required[SiteCheck], window: afterOrAt(base, v.begun()),
	})
}

// lookSooner is when an unwell patient, a hand that suffers or a haematoma is looked at
// again (judgement, to be confirmed by the site); zero if the ladder is all there is.
func (v *view) lookSooner(base time.Time) time.Time {
	var by time.Time
	sooner := func(f *Finding, after time.Duration) {
		if f != nil {
			by = earlier(by, later(base, f.When()).Add(after))
		}
	}
	sooner(v.body.unwell, lookUnwell)
	sooner(v.body.hand, v.p.EaseRetest)
	sooner(v.body.swelling, v.p.SiteCheckFirst)
	return by
}

// afterOrAt opens a window just after the last look, or at the start when there is none.
func afterOrAt(last, start time.Time) time.Time {
	if last.IsZero() {
		return start
	}
	return last.Add(time.Microsecond)
}

// lastSiteCheck gives when the site was last looked at in a whole check, and how often it
// was. A check that was charted as not done does not count, and one charted bit by bit
// counts from its look at the site, not from its last bit.
func (m *machine) lastSiteCheck() (last time.Time, count int) {
	for i := range m.e.Tasks {
		t := &m.e.Tasks[i]
		if t.Key.Code != SiteCheck || t.Status != TaskCompleted || !m.real(t) {
			continue
		}
		count++
		last = later(last, m.lookedAt(t))
	}
	return last, count
}

// lookedAt is when the look at the site that the Task brought was made.
func (m *machine) lookedAt(t *Task) time.Time {
	for _, o := range t.Outputs {
		if o.Code == Bleeding {
			return m.foundAt(o.Finding)
		}
	}
	return t.End
}

// real reports whether everything that the Task brought still stands and has a value.
func (m *machine) real(t *Task) bool {
	for _, o := range t.Outputs {
		if o.Missing != "" {
			return false
		}
		for _, w := range m.e.Withdrawn {
			if w.Finding == o.Finding {
				return false
			}
		}
	}
	return true
}

// nextAct is when the band's next act is due at the earliest, zero if it can't be told.
func (m *machine) nextAct() time.Time {
	v := m.v
	if v.start.IsZero() || m.e.Protocol == nil {
		return time.Time{}
	}
	if !v.ledger.emptied.IsZero() {
		return v.ledger.emptied.Add(v.p.WatchAtEmpty)
	}
	return v.nextRelease()
}

// planPatency keeps at most one patency test open: on arrival, again while the artery is
// not shown open, with the first release, with no air left, and after removal.
func (m *machine) planPatency() {
	purpose, since, due := m.patencyDue()
	if purpose == "" || m.discharged() {
		return
	}
	due = later(due, m.v.ev.Recorded.Add(m.v.p.ArrivalDue))
	if purpose != retest { // air needs its time to show
		due = m.oneVisit(due)
	}
	m.put(want{
		key: m.next(PatencyCheck, purpose), status: TaskReady, priority: Routine,
		text:      patencyText(purpose),
		notBefore: since, due: due,
		required: PatencyCheck.Asks(), window: since,
	})
}

// oneVisit moves a due time to that of the open look at the site when the two are due
// within minutes of each other.
func (m *machine) oneVisit(due time.Time) time.Time {
	for _, code := range []TaskCode{SiteCheck, PostRemovalCheck} {
		if t := m.open(code, ""); t != nil && m.wanted[t.Key] && due.Sub(t.Due).Abs() <= m.v.p.Visit {
			return t.Due
		}
	}
	return due
}

// The purposes of patency tests.
const (
	onArrival      = "arrival"
	retest         = "retest"
	afterAdding    = "after-adding"
	atFirstRelease = "first-release"
	atEmpty        = "at-empty"
	afterRemoval   = "after-removal"
)

// patencyDue gives the purpose of the next test, the first instant that counts for it,
// and when it is due; "" if none is needed now.
func (m *machine) patencyDue() (purpose string, since, due time.Time) {
	v, w := m.v, m.v.flow
	switch {
	case !v.bandOn():
		return m.patencyAfterRemoval()
	case w.last == nil:
		since := later(v.begun(), v.band.since)
		return onArrival, since, since.Add(v.p.PatencyArrival)
	case !v.ledger.emptied.IsZero():
		if !v.testedSince(v.ledger.emptied) {
			return atEmpty, v.ledger.emptied, v.ledger.emptied.Add(v.p.WatchAtEmpty)
		}
		return "", time.Time{}, time.Time{}
	case w.stale && v.site.bleed == nil && !v.site.hold.IsZero():
		return afterAdding, v.ledger.added, later(v.site.hold, v.ledger.added)
	case w.stale && v.site.bleed == nil:
		return afterAdding, v.ledger.added, v.ledger.added.Add(v.p.EaseRetest)
	case v.notPatent() && v.ledger.changed.After(w.last.When()):
		return retest, v.ledger.changed, v.ledger.changed.Add(v.p.EaseRetest)
	case w.stale:
		return "", time.Time{}, time.Time{} // first stop the bleeding
	case v.notPatent() && v.easingOver():
		return retest, w.last.When().Add(time.Microsecond), w.last.When().Add(v.p.EaseRetest)
	case v.notPatent() && !v.ledger.changed.After(w.shut.When()):
		return "", time.Time{}, time.Time{} // first ease
	case v.inconclusive() && w.tries < v.p.EaseTries && v.inconclusives() < v.p.EaseTries:
		return retest, w.last.When().Add(time.Microsecond), w.last.When().Add(v.p.EaseRetest)
	}
	return m.patencyAtFirstRelease()
}

func (m *machine) patencyAtFirstRelease() (string, time.Time, time.Time) {
	v := m.v
	if v.start.IsZero() {
		return "", time.Time{}, time.Time{}
	}
	first := v.nextRelease()
	if len(v.releases) > 0 {
		first = v.releases[0].at
	}
	since := first.Add(-v.p.Visit)
	if v.testedSince(since) {
		return "", time.Time{}, time.Time{}
	}
	return atFirstRelease, since, first.Add(v.p.ReleaseDue)
}

func (m *machine) patencyAfterRemoval() (string, time.Time, time.Time) {
	v := m.v
	wait := v.p.PatencyAfterRemoval
	if !v.band.planned {
		wait = 0 // taken off or lost with air in it: test at once
	}
	due := v.band.off.Add(wait)
	if v.testedSince(due.Add(-v.p.Visit)) {
		return "", time.Time{}, time.Time{}
	}
	return afterRemoval, due.Add(-v.p.Visit), due
}

// inconclusives counts the last tests in a row that said nothing.
func (v *view) inconclusives() int {
	n := 0
	for i := len(v.e.Findings) - 1; i >= 0; i-- {
		f := v.e.Findings[i]
		if f.Code != Patency {
			continue
		}
		if f.Real() && f.Answer != Indeterminate {
			break
		}
		n++
	}
	return n
}

func patencyText(purpose string) string {
	return fmt.Sprintf("Test the radial artery for flow with the ulnar artery compressed (%s).", purpose)
}

// planAfter keeps one look open after the band is off, until the discharge check; under
// a plan that was stopped, which has none, until the ladder is done.
func (m *machine) planAfter() {
	v := m.v
	if v.bandOn() || m.discharged() {
		return
	}
	from := later(v.band.off, v.site.dryOff)
	last := m.lastAfterCheck(from)
	if v.ended() && v.watchedOff(from, last) {
		return
	}
	m.put(want{
		key: m.next(PostRemovalCheck, ""), status: TaskReady, priority: Routine,
		text:      "Look at the access site and the hand after the band came off.",
		notBefore: later(from, last), due: v.afterDue(from, last),
		required: v.p.Required[PostRemovalCheck], window: afterOrAt(last, from),
	})
}

func (m *machine) lastAfterCheck(from time.Time) time.Time {
	var last time.Time
	for i := range m.e.Tasks {
		t := &m.e.Tasks[i]
		if t.Key.Code == PostRemovalCheck && t.Status == TaskCompleted && m.real(t) && !t.End.Before(from) {
			last = later(last, m.lookedAt(t))
		}
	}
	return last
}

// watchedOff reports whether the ladder of looks after removal is done, or there is no
// puncture to look at.
func (v *view) watchedOff(from, last time.Time) bool {
	if v.revoked != nil && v.band.last != nil && v.band.last.Answer == BandNeverApplied {
		return true
	}
	rungs := v.p.AfterRemoval
	return v.site.afterOff == nil && !last.Before(from.Add(rungs[len(rungs)-1]-v.p.Visit))
}

// afterDue is the first rung of the ladder after the last look; at once when the band
// came off with air in it and nobody has looked.
func (v *view) afterDue(from, last time.Time) time.Time {
	if last.IsZero() && !v.band.planned && from.Equal(v.band.off) {
		return from
	}
	for _, rung := range v.p.AfterRemoval {
		if due := from.Add(rung); due.Add(-v.p.Visit).After(last) { // a look minutes before its rung is that look
			return due
		}
	}
	return last.Add(v.p.AfterThen)
}
