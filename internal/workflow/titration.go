package workflow

import (
	"fmt"
	"slices"
	"time"
)

// planTitration asks to take the pressure down to what holds, in the first minutes and
// only when the event says that it was not done: air let out later makes a needless
// bleed (judgement, to be confirmed by the site).
func (m *machine) planTitration() {
	v := m.v
	told := v.ev.Titrated != nil && !*v.ev.Titrated
	t := m.last(Titration)
	if !told || v.p.TitrationWindow == 0 || !v.bandOn() || v.start.IsZero() || len(v.releases) > 0 || m.arrived() || t != nil && t.Status.Finished() {
		return
	}
	over := v.start.Add(v.p.TitrationWindow)
	if t == nil && !m.at.Before(over) {
		return
	}
	w := want{
		key: m.next(Titration, ""), priority: Urgent,
		text: fmt.Sprintf("Take the pressure down to what holds: let air out 1 mL at a time until blood shows, put %s mL back, look at the site, count the air.",
			v.p.TitrationAddBack),
		notBefore: v.start, due: over, required: Titration.Asks(), window: v.start,
	}
	var against []Withheld
	if !m.at.Before(over) {
		against = append(against, Withheld{Reason: "the time for it is over: air let out now makes a needless bleed", Lifter: byClinician})
	}
	m.offer(&w, v.start, against, nil)
	m.wakeAt(over)
	m.put(w)
}

// titrating gives the open titration whose turn it is, nil if there is none.
func (m *machine) titrating() *Task {
	if t := m.open(Titration, ""); t != nil && t.Status.Turn() {
		return t
	}
	return nil
}

// titrate counts a change of air for the titration; it has as many as it takes.
func (m *machine) titrate(t *Task, f *Finding) {
	if t.Start.IsZero() {
		t.Start = f.When()
	}
	if !t.hasFinding(f.ID) {
		t.Outputs = append(t.Outputs, Output{Code: f.Code, Finding: f.ID, Missing: f.Missing})
	}
	t.Window = f.When() // what was seen and counted before it tells nothing of the pressure now
	t.Outputs = slices.DeleteFunc(t.Outputs, func(o Output) bool { return slices.Contains(t.Required, o.Code) })
}

// flash reports whether blood found at an instant was looked for: minutes after air was
// let out for the titration, none put back and no dry look since.
func (v *view) flash(at time.Time) bool {
	return !v.titrated.IsZero() && v.titrated.Equal(v.ledger.changed) && !v.site.fresh && at.Sub(v.titrated) <= v.p.LookAfterAdd
}
