package workflow

import (
	"fmt"
	"slices"
	"time"
)

// plan recomputes what is wanted at an instant from all facts and brings the Tasks in
// line with it. It never ends a Task: see finish.
func (m *machine) plan(at time.Time) {
	m.at = at
	m.v = newView(m.e)
	m.wanted = map[TaskKey]bool{}
	m.wakes = nil
	if m.v.ev == nil {
		return
	}
	m.handConcern()
	m.planSafety()
	if m.v.ended() {
		return
	}
	if m.e.Protocol != nil {
		m.planTitration()
		m.planUlnar()
		m.planArrival()
		m.planPatency()
		m.planRoad()
		m.planEasing()
		m.planRemoval()
		m.planDressing()
		m.planTeaching()
	}
	m.planDischarge()
}

// planSafety plans what no stop, hold or missing protocol takes away.
func (m *machine) planSafety() {
	m.planSite()
	m.planAfter()
	m.planVolume()
	m.planRestoring()
	m.planControl()
	m.planConfirm()
}

// finish ends the step: lateness and calls, reviews, surplus Tasks, flags, the plan.
func (m *machine) finish() {
	if m.v.ev == nil {
		return
	}
	m.e.Plan.Status, m.e.Plan.StatusReason = m.planStatus()
	m.planLateness()
	m.planConcerns()
	m.planReviews()
	m.sweep()
	m.planFlags()
	m.planIssues()
	m.e.Plan = m.describe()
	for i := range m.e.Tasks {
		m.e.Tasks[i].Changed = m.now
	}
}

// planStatus is where the plan stands as a whole.
func (m *machine) planStatus() (PlanStatus, string) {
	switch {
	case m.v.revoked != nil:
		return PlanRevoked, "the procedure was reported as " + m.v.revoked.Reason
	case m.v.orders.stopped != nil:
		return PlanRevoked, "stopped by order: " + m.v.orders.stopped.Reason
	case m.discharged():
		return PlanCompleted, ""
	case m.v.orders.hold != nil && m.v.bandOn():
		return PlanOnHold, "held by order: " + m.v.orders.hold.Reason
	}
	return PlanActive, ""
}

// discharged reports whether the discharge check was done since the band came off: one
// that was done with a band on, or before it was put on again, ends nothing.
func (m *machine) discharged() bool {
	return !m.v.bandOn() && !m.finishedAt(DischargeCheck).Before(m.v.band.off)
}

// gone reports whether the discharge check was done and the patient has left: what was not
// charted by then is done no more.
func (m *machine) gone() bool { return m.discharged() && !m.v.travel.ended.IsZero() }

// planVolume asks for the volume and the start of compression that were not told, or
// for a count that settles what is in doubt.
func (m *machine) planVolume() {
	v := m.v
	if !v.bandOn() || m.e.Protocol == nil || v.ended() {
		return
	}
	if required := v.untold(); len(required) > 0 {
		m.put(want{
			key: m.next(RecordBandVolume, ""), status: TaskReady, priority: Urgent, text: recordText(required),
			notBefore: v.begun(), due: later(v.ev.Recorded, v.forgotten()).Add(v.p.RecordDue),
			required: required, window: later(v.begun(), v.forgotten()),
		})
	}
	if book := v.ledger.book(); book.State == BookUncertain {
		last := v.ledger.doubts[len(v.ledger.doubts)-1]
		m.put(want{
			key: m.next(SettleVolume, ""), status: TaskReady, priority: Urgent,
			text:      "Count the air in the band and chart it: " + last.why + ".",
			notBefore: last.at, due: later(last.at, last.raised).Add(v.p.RecordDue),
			required: SettleVolume.Asks(), book: &book, window: last.at,
		})
	}
}

// untold lists what the event should have told and did not.
func (v *view) untold() []FindingCode {
	var codes []FindingCode
	if !v.ledger.known {
		codes = append(codes, AirVolume)
	}
	if v.start.IsZero() {
		codes = append(codes, CompressionStart)
	}
	return codes
}

// forgotten is when the volume became unknown again, zero if it did not.
func (v *view) forgotten() time.Time {
	if v.ledger.known || len(v.ledger.doubts) == 0 {
		return time.Time{}
	}
	return v.ledger.doubts[0].at
}

func recordText(required []FindingCode) string {
	if len(required) == 2 {
		return "Chart the air in the band and when compression started: neither was told. No release is offered before."
	}
	if required[0] == AirVolume {
		return "Chart the air in the band: it was not told. No release is offered before."
	}
	return "Chart when compression started: it was not told. No release is offered before."
}

// planArrival asks for the check on arrival, again after each move.
func (m *machine) planArrival() {
	v := m.v
	if !v.bandOn() || m.arrived() {
		return
	}
	since := v.ev.Recorded
	window := v.begun()
	if !v.travel.last.IsZero() {
		since, window = v.travel.last, v.travel.last
	}
	required := v.p.Required[ArrivalCheck]
	if !v.ledger.known || !v.counted.Before(window) { // another Task asks for it, or it was done
		required = slices.DeleteFunc(slices.Clone(required), func(c FindingCode) bool { return c == AirVolume })
	}
	text := "Check on arrival: count the air in the band, look at the site and the hand."
	if v.p.TitrationWindow > 0 && (v.ev.Titrated == nil || !*v.ev.Titrated) {
		text += " Ask whether the pressure was taken down at the table, and to what volume."
	}
	t := m.put(want{
		key: m.next(ArrivalCheck, ""), status: TaskReady, priority: Routine, text: text,
		notBefore: window, due: since.Add(v.p.ArrivalDue),
		required: required, book: m.bookNow(), window: window,
	})
	if start := v.ev.Volume; start != nil && (start.Less(v.p.InitialMin) || v.p.InitialMax.Less(*start)) {
		t.note(m.now, fmt.Sprintf("the band started with %s mL: the protocol is made for %s to %s mL", start, v.p.InitialMin, v.p.InitialMax))
	}
}

// arrived reports whether the check after the last move, or the first one, was done or
// skipped with a reason.
func (m *machine) arrived() bool {
	return slices.ContainsFunc(m.e.Tasks, func(t Task) bool {
		return t.Key.Code == ArrivalCheck && (t.Status == TaskCompleted || t.Skipped) && !t.End.Before(m.v.travel.last)
	})
}

// planConfirm asks what is on the wrist when the plan no longer says so.
func (m *machine) planConfirm() {
	v := m.v
	since, due, why := v.unsure()
	if since.IsZero() {
		return
	}
	m.put(want{
		key: m.next(ConfirmBandState, ""), status: TaskReady, priority: Urgent,
		text:      fmt.Sprintf("Confirm at the bedside what is on the wrist: %s.", why),
		notBefore: since, due: due,
		required: ConfirmBandState.Asks(), window: since,
	})
}

// unsure gives since when and why somebody has to say what is on the wrist, and by when;
// zero if nobody has.
func (v *view) unsure() (since, due time.Time, why string) {
	known := func(since time.Time) bool { return v.band.last != nil && !v.band.last.When().Before(since) }
	ask := func(since time.Time, why string) (time.Time, time.Time, string) {
		return since, since.Add(v.p.LookAfterAdd), why
	}
	ended, why := v.endedAt()
	switch {
	case v.ended() && v.bandOn() && !known(ended):
		return ask(ended, why)
	case v.orders.noBand != nil && !known(v.orders.noBand.Recorded):
		return ask(v.orders.noBand.Recorded, "ordered: no band, dressing only, while this plan was made for a band")
	case v.corrected() && !known(v.ev.Recorded):
		return ask(v.ev.Recorded, "the wrist or the patient was corrected")
	case v.band.odd != nil && v.bandOn():
		return ask(v.band.odd.When(), fmt.Sprintf("the band was found %q", v.band.odd.Answer))
	case v.ended() && v.bandOn():
		return v.askAgain(ended, "the band is still on and "+why)
	case v.e.Protocol == nil && v.bandOn():
		return v.askAgain(v.ev.Recorded, "no plan was made for this band")
	}
	return time.Time{}, time.Time{}, ""
}

// askAgain asks anew at each look while a band is on that no plan takes off.
func (v *view) askAgain(since time.Time, why string) (time.Time, time.Time, string) {
	if v.band.last != nil {
		since = later(since, afterOrAt(v.band.last.When(), since))
	}
	return since, since.Add(v.p.SiteCheckThen), why
}

// endedAt is when and how the plan was ended by the event or by an order.
func (v *view) endedAt() (time.Time, string) {
	switch {
	case v.revoked != nil:
		return v.revoked.At, "the procedure was reported as " + v.revoked.Reason
	case v.orders.stopped != nil:
		return v.orders.stopped.Recorded, "the plan was stopped"
	}
	return time.Time{}, ""
}
