package workflow

import (
	"fmt"
	"time"
)

// planRestoring asks for air back while the site bleeds under the band.
func (m *machine) planRestoring() {
	for i := range m.e.Tasks {
		t := &m.e.Tasks[i]
		if t.Key.Code == RestoreCompression && !t.Status.Finished() && t.Has(AirAdded) {
			m.keepWatching(t, m.v.p.LookAfterAdd)
		}
	}
	b := m.v.site.bleed
	if b == nil || m.watching(RestoreCompression) {
		return
	}
	since := later(b.since, m.v.ledger.added)
	w := want{
		key: m.next(RestoreCompression, ""), status: TaskReady, priority: Stat,
		notBefore: since, due: later(since, b.looked), book: m.bookNow(), window: later(b.since.Add(-m.v.p.Visit), m.v.ledger.changed),
	}
	if b.looked.Before(b.restored) { // handled before it was charted
		w.text = "The site bled and air was put back: look again now, and put more back only if it still bleeds."
		w.due, w.required = b.restored.Add(m.v.p.LookAfterAdd), []FindingCode{Bleeding}
	} else {
		w.planned, w.text = m.addBack()
		w.required = RestoreCompression.Asks()
	}
	m.put(w)
}

func (m *machine) bookNow() *Book {
	b := m.v.ledger.book()
	return &b
}

// watching reports whether a Task of the code has its act and waits for its look.
func (m *machine) watching(code TaskCode) bool {
	t := m.open(code, "")
	return t != nil && t.act() != "" && t.Has(t.act())
}

// addBack is how much air goes back: what was taken out last, at most what the protocol
// puts back at once and what the band still holds. Nil when no amount can be planned.
func (m *machine) addBack() (*Decimal, string) {
	v := m.v
	if m.e.Protocol == nil {
		return nil, "The site bleeds: put air back until it stops, not above the device's maximum, or press by hand; then look again."
	}
	amount := v.p.AddBackMax
	if v.site.bleed.flash {
		amount = v.p.TitrationAddBack
	} else if v.ledger.out.Sign() > 0 {
		amount = Least(amount, v.ledger.out)
	}
	if v.ledger.book().State != BookKnown {
		return nil, fmt.Sprintf("The site bleeds: put air back until it stops, not above %s mL in all, then look again.", v.ledger.max)
	}
	amount = Least(amount, v.ledger.max.Sub(v.ledger.volume))
	if amount.Sign() <= 0 {
		return nil, fmt.Sprintf("The site bleeds and the band holds its maximum of %s mL: add no air, press by hand, call a clinician.", v.ledger.max)
	}
	return &amount, fmt.Sprintf("The site bleeds: put %s mL back into the band, then look again.", amount)
}

// bleedingConcerns raises what bleeding asks a clinician to decide.
func (m *machine) bleedingConcerns() {
	v := m.v
	b := v.site.bleed
	if b == nil {
		return
	}
	full := v.ledger.book().State == BookKnown && !v.ledger.volume.Less(v.ledger.max)
	if full && !b.looked.Before(v.ledger.changed) {
		v.concern(v.bleedCause(), Stat, b.looked, "the site bleeds and the band holds its maximum of air")
	}
	if at := v.notHeld(); !at.IsZero() {
		if !m.now.Before(at) {
			v.concern(v.bleedCause(), Stat, at, "active bleeding was not held after air was put back")
		}
		m.wakeAt(at)
	}
}

// planControl asks for pressure by hand while the site bleeds without a band.
func (m *machine) planControl() {
	b := m.v.site.afterOff
	if b == nil {
		return
	}
	m.put(want{
		key: m.next(ControlBleeding, ""), status: TaskReady, priority: Stat,
		text:      "The site bleeds after the band came off: press by hand and chart when it is dry.",
		notBefore: b.since, due: b.since, required: ControlBleeding.Asks(), window: b.since.Add(time.Microsecond),
	})
}
