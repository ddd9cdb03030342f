package workflow

import "fmt"

// planEasing asks to let a little air out when the artery is not open under the band
// and the site is dry. Nothing that withholds a release withholds this.
func (m *machine) planEasing() {
	v := m.v
	for i := range m.e.Tasks {
		t := &m.e.Tasks[i]
		if t.Key.Code == EaseCompression && !t.Status.Finished() && t.Has(AirRemoved) {
			m.keepWatching(t, v.p.WatchAfterStep)
		}
	}
	if !m.mayEase() || m.watching(EaseCompression) {
		return
	}
	found := v.flow.last.When()
	w := want{
		key: m.next(EaseCompression, ""), priority: Urgent, notBefore: found, due: found.Add(v.p.ReleaseDue),
		required: []FindingCode{AirRemoved, Bleeding}, window: later(found, v.ledger.changed), offered: true,
		text: "The artery is not open under the band: let a little air out, look at the site, test again.",
	}
	var against []Withheld
	if v.ledger.book().State != BookKnown {
		against = append(against, Withheld{Reason: "the volume in the band is not known for sure", Lifter: byNurse})
	} else {
		volume := Least(v.p.Ease, v.ledger.volume)
		w.planned = &volume
		w.text = fmt.Sprintf("The artery is not open under the band: let %s mL out, look at the site, test again.", volume)
	}
	var evidence []Withheld
	if v.site.last == nil || v.site.last.Answer != Haemostasis {
		evidence = append(evidence, Withheld{Reason: "the last look did not find the site dry", Lifter: byNurse + ", by a look at the site", Evidence: true})
	}
	m.offer(&w, found, against, evidence)
	m.put(w)
}

// mayEase reports whether easing is the next answer to an artery that is not open: not
// while the site bleeds or the band is empty, not after the tries are used up or easing
// and bleeding took turns twice, and not newly when a release step does it anyway: once
// offered, it is not taken back by time alone.
func (m *machine) mayEase() bool {
	v := m.v
	switch {
	case !v.bandOn(), !v.notPatent(), v.site.bleed != nil, !v.ledger.emptied.IsZero():
		return false
	case v.ledger.changed.After(v.flow.last.When()): // air went out since: test first
		return false
	case v.flow.tries >= v.p.EaseTries, v.flow.turns >= mayEase:
		return false
	}
	if m.open(EaseCompression, "") != nil {
		return true
	}
	if next := m.nextAct(); !next.IsZero() && !m.at.Add(v.p.Visit).Before(next) && len(v.standing(m)) == 0 {
		return false
	}
	return true
}

// easingConcerns raises what easing asks a clinician to decide.
func (m *machine) easingConcerns() {
	v := m.v
	if v.flow.turns >= mayEase && v.notPatent() {
		v.concern("easing-and-bleeding", Routine, v.site.lastAt, "easing and bleeding took turns: haemostasis comes first, easing has stopped")
	}
}
