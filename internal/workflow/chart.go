package workflow

import (
	"slices"
	"time"
)

// ClockDifference is how far ahead of the service's clock a stated time may be.
const ClockDifference = 5 * time.Minute

// maximumPause is how long a nurse may pause releases at a time (judgement, to be
// confirmed by the site).
const maximumPause = 30 * time.Minute

// chart takes in what a client entered in one go: findings and orders in order of when
// they happened, then withdrawals, then what was done to Tasks.
func (m *machine) chart(in Charted) *Refusal {
	if r := m.refusal(in); r != nil {
		return r
	}
	for _, u := range in.Updates {
		for _, o := range u.Outputs {
			m.explicit[o.Finding] = u.Task
		}
	}
	m.plan(m.now)
	for _, w := range in.Withdrawn {
		if r := m.withdraw(w); r != nil {
			return r
		}
	}
	for _, f := range entered(in) {
		m.take(f)
	}
	m.plan(m.now)
	for _, u := range in.Updates {
		if r := m.update(u); r != nil {
			return r
		}
		m.plan(m.now)
	}
	return nil
}

// entered gives the findings and orders of one entry in order.
func entered(in Charted) []fact {
	var list []fact
	for i := range in.Findings {
		f := &in.Findings[i]
		list = append(list, fact{when: f.When(), recorded: f.Recorded, entry: f.Entry, id: f.ID, finding: f})
	}
	for i := range in.Orders {
		o := &in.Orders[i]
		list = append(list, fact{when: earlier(o.Given, o.Recorded), recorded: o.Recorded, entry: o.Entry, id: o.ID, order: o})
	}
	slices.SortStableFunc(list, compareFacts)
	return list
}

// take adds one fact. The plan is first brought to the instant of the fact, so that an
// hour charted at its end is counted as if it had been charted bit by bit; a fact that
// is older than what is known is counted against the plan as it is now.
func (m *machine) take(f fact) {
	at := m.now
	if known := m.e.facts(); len(known) == 0 || !f.when.Before(known[len(known)-1].when) {
		at = earlier(f.when, m.now)
	}
	m.plan(at)
	if f.order != nil {
		m.e.Orders = append(m.e.Orders, *f.order)
		if f.order.Code == OrderOverrideTime {
			m.timeOrdered(f.order)
		}
		return
	}
	corrected := m.keep(*f.finding)
	if !corrected && m.e.ofWrist(f.finding.Side) {
		m.attach(f.finding)
		m.plan(at)
	}
}

// keep stores a finding; a correction takes the place of what it corrects.
func (m *machine) keep(f Finding) (corrected bool) {
	for i := range m.e.Findings {
		if m.e.Findings[i].ID == f.ID {
			m.e.Findings[i] = f
			return true
		}
	}
	m.e.Findings = append(m.e.Findings, f)
	slices.SortStableFunc(m.e.Findings, func(a, b Finding) int {
		return compareFacts(
			fact{when: a.When(), recorded: a.Recorded, entry: a.Entry, id: a.ID},
			fact{when: b.When(), recorded: b.Recorded, entry: b.Entry, id: b.ID})
	})
	return false
}

// withdraw takes back a finding that was entered in error. Open Tasks lose it; finished
// ones stay as they are.
func (m *machine) withdraw(w Withdrawal) *Refusal {
	if !slices.ContainsFunc(m.e.Findings, func(f Finding) bool { return f.ID == w.Finding }) {
		return refuse(RefusedNotFound, w.Entry, "there is no such finding in this episode")
	}
	m.e.Withdrawn = append(m.e.Withdrawn, w)
	for i := range m.e.Tasks {
		t := &m.e.Tasks[i]
		if !t.Status.Finished() && t.hasFinding(w.Finding) {
			t.Outputs = slices.DeleteFunc(t.Outputs, func(o Output) bool { return o.Finding == w.Finding })
			t.Deviation, t.PlannedStart, t.PlannedDue = "", time.Time{}, time.Time{}
		}
	}
	return nil
}

// refusal gives the first entry that can't be: what is merely against the plan is not
// refused.
func (m *machine) refusal(in Charted) *Refusal {
	for _, f := range in.Findings {
		if r := m.findingRefusal(f); r != nil {
			return r
		}
	}
	for _, o := range in.Orders {
		if r := m.orderRefusal(o); r != nil {
			return r
		}
	}
	return nil
}

func (m *machine) findingRefusal(f Finding) *Refusal {
	if f.Found.After(m.now.Add(ClockDifference)) {
		return refuse(RefusedValue, f.Entry, "the finding lies in the future: more than %s ahead of the service's clock; nothing was stored", span(ClockDifference))
	}
	if f.Code == CompressionStart && f.Instant.After(m.now.Add(ClockDifference)) {
		return refuse(RefusedValue, f.Entry, "compression can't have started in the future; nothing was stored")
	}
	if f.Amount == nil {
		switch {
		case f.Real() && isAir(f.Code):
			return refuse(RefusedRequired, f.Entry, "%s needs a volume in mL; nothing was stored", f.Code)
		case f.Real() && (f.Code == Pain || f.Code == Pressure):
			return refuse(RefusedRequired, f.Entry, "%s needs a number; nothing was stored", f.Code)
		}
		return nil
	}
	if f.Amount.Sign() < 0 {
		return refuse(RefusedValue, f.Entry, "%s %s is negative; nothing was stored", f.Code, f.Amount)
	}
	if limit := m.deviceMaximum().Twice(); isAir(f.Code) && limit.Less(*f.Amount) {
		return refuse(RefusedValue, f.Entry, "%s %s mL is more than twice the device's maximum; nothing was stored", f.Code, f.Amount)
	}
	return nil
}

func isAir(c FindingCode) bool { return c == AirVolume || c == AirRemoved || c == AirAdded }

// absoluteMaximum is the largest volume that any source gives (18 mL: BC Emergency
// Health Services; Swedish reference site), for episodes without a protocol.
const absoluteMaximum = "18"

func (m *machine) deviceMaximum() Decimal {
	limit := MustDecimal(absoluteMaximum)
	if m.e.Protocol != nil {
		limit = m.e.Protocol.DeviceMaximum
	}
	if ev := m.e.event(); ev != nil && ev.BandMaximum != nil {
		limit = Least(limit, *ev.BandMaximum)
	}
	return limit
}

func (m *machine) orderRefusal(o Order) *Refusal {
	volume := o.Code == OrderOverrideVolume || o.Code == OrderAdjustVolume
	switch {
	case o.Given.After(m.now.Add(ClockDifference)):
		return refuse(RefusedValue, o.Entry, "the order lies in the future; nothing was stored")
	case volume && o.Amount == nil:
		return refuse(RefusedRequired, o.Entry, "%s needs a volume in mL; nothing was stored", o.Code)
	case volume && (o.Amount.Sign() < 0 || m.deviceMaximum().Less(*o.Amount)):
		return refuse(RefusedValue, o.Entry, "%s %s mL is below 0 or above the device's maximum; nothing was stored", o.Code, o.Amount)
	case o.Code == OrderOverrideTime && o.Time.IsZero():
		return refuse(RefusedRequired, o.Entry, "override-time needs the time of the next step; nothing was stored")
	case o.Code == OrderPauseRelease && o.Until.IsZero():
		return refuse(RefusedRequired, o.Entry, "pause-release needs an end; nothing was stored")
	case o.Code == OrderPauseRelease && o.Until.Sub(earlier(o.Given, o.Recorded)) > maximumPause:
		return refuse(RefusedRule, o.Entry, "releases may be paused for %s at a time; nothing was stored", span(maximumPause))
	}
	return nil
}
