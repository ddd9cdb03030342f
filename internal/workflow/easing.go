package workflow

import (
	"fmt"
	"time"
)

// planEasing asks to let a little air out when the artery is not open under the band, or
// the hand suffers, and the site is dry. Nothing that withholds a release withholds this.
func (m *machine) planEasing() {
	v := m.v
	for i := range m.e.Tasks {
		t := &m.e.Tasks[i]
		if t.Key.Code == EaseCompression && !t.Status.Finished() && t.Has(AirRemoved) {
			m.keepWatching(t, v.p.WatchAfterStep)
		}
	}
	found, why := m.easeFor()
	if found.IsZero() || m.watching(EaseCompression) {
		return
	}
	w := want{
		key: m.next(EaseCompression, ""), priority: Urgent, notBefore: found, due: found.Add(v.p.ReleaseDue),
		required: EaseCompression.Asks(), window: later(found, v.ledger.changed), offered: true,
		text: why.text("a little air"),
	}
	var against []Withheld
	if v.ledger.book().State != BookKnown {
		against = append(against, Withheld{Reason: "the volume in the band is not known for sure", Lifter: byNurse})
	} else {
		volume := Least(v.p.Ease, v.ledger.volume)
		w.planned = &volume
		w.text = why.text(volume.String() + " mL")
	}
	var evidence []Withheld
	if v.site.last == nil || v.site.last.Answer != Haemostasis {
		evidence = append(evidence, Withheld{Reason: "the last look did not find the site dry", Lifter: byNurse + ", by a look at the site", Evidence: true})
	}
	m.offer(&w, found, against, evidence)
	m.put(w)
}

// easeCause is why air is to be let out beside the steps.
type easeCause string

const (
	easeArtery easeCause = "The artery is not open under the band: let %s out, look at the site, test again."
	easeHand   easeCause = "The hand suffers under the band: let %s out, look at the site, look at the hand again."
)

func (c easeCause) text(amount string) string { return fmt.Sprintf(string(c), amount) }

// easeFor gives when what easing answers was found, zero if easing is not the next answer:
// not while the site bleeds or the band is empty, not after the tries are used up or easing
// and bleeding took turns twice.
func (m *machine) easeFor() (time.Time, easeCause) {
	v := m.v
	if !v.bandOn() || v.site.bleed != nil || !v.ledger.emptied.IsZero() || v.easingOver() {
		return time.Time{}, ""
	}
	if v.notPatent() && !v.ledger.changed.After(v.flow.shut.When()) && !m.stepEases() { // air went out since: test first
		return v.flow.shut.When(), easeArtery
	}
	if f := v.body.hand; f != nil && !f.endangered() && !v.ledger.changed.After(f.When()) && !m.stepEases() {
		return f.When(), easeHand
	}
	return time.Time{}, ""
}

// easingOver reports whether no more air is let out beside the steps: the tries are used
// up, or easing and bleeding took turns.
func (v *view) easingOver() bool { return v.flow.tries >= v.p.EaseTries || v.flow.turns >= mayEase }

// stepEases reports whether a release step does it anyway, and soon. An easing that was
// offered is not taken back by time alone.
func (m *machine) stepEases() bool {
	if m.open(EaseCompression, "") != nil {
		return false
	}
	next := m.nextAct()
	return !next.IsZero() && !m.at.Add(m.v.p.Visit).Before(next) && len(m.v.standing(m)) == 0
}

// easingConcerns raises what easing asks a clinician to decide.
func (m *machine) easingConcerns() {
	v := m.v
	if v.flow.turns >= mayEase && v.notPatent() {
		v.concern("easing-and-bleeding", Urgent, v.site.lastAt, "easing and bleeding took turns: haemostasis comes first, easing has stopped")
	}
}
