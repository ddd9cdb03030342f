package workflow

import (
	"fmt"
	"time"
)

// describe writes the plan as a whole.
func (m *machine) describe() Plan {
	v := m.v
	p := Plan{
		Status: m.e.Plan.Status, StatusReason: m.e.Plan.StatusReason,
		Start: v.begun(), Off: v.band.off, End: m.earliestDischarge(),
	}
	if v.bandOn() {
		p.Off = m.forecastOff()
	}
	switch p.Status {
	case PlanCompleted:
		p.End = m.finishedAt(DischargeCheck)
	case PlanRevoked:
		p.Off = time.Time{}
		p.End, _ = v.endedAt()
	case PlanActive, PlanOnHold:
	}
	for i := range m.e.Tasks {
		p.Tasks = append(p.Tasks, m.e.Tasks[i].Key)
	}
	p.Summary = m.summary()
	return p
}

func (m *machine) summary() Summary {
	v := m.v
	s := Summary{
		Kind: v.ev.Kind, Side: v.ev.Side, Distal: v.ev.Distal,
		Book: v.ledger.book(), BandOn: v.bandOn(), Bleeds: v.site.bleeds, LastBleed: v.site.lastAt,
	}
	if v.site.last != nil {
		s.LastLook, s.LastAnswer = v.site.last.When(), v.site.last.Answer
	}
	if f := v.flow.last; f != nil && f.Real() {
		s.LastPatency, s.PatencyAt = f.Answer, f.When()
	}
	s.OffIfBleed, s.Figures = m.offIfBleed(), m.figures()
	s.BleedingRisk, s.OcclusionRisk = v.bleedingRisk(), v.occlusionRisk()
	if t := m.nextTask(); t != nil {
		key := t.Key
		s.Next, s.NextAt, s.Withheld = &key, t.NotBefore, t.Withheld
	}
	return s
}

// nextTask is the band's next act: bleeding first, then the earliest step or removal.
func (m *machine) nextTask() *Task {
	for _, code := range []TaskCode{ControlBleeding, RestoreCompression, Titration, EaseCompression, ReleaseStep, BandRemoval, DischargeCheck} {
		for i := range m.e.Tasks {
			if t := &m.e.Tasks[i]; t.Key.Code == code && !t.Status.Finished() {
				return t
			}
		}
	}
	return nil
}

// planFlags raises and lowers the warnings that a screen should show.
func (m *machine) planFlags() {
	v := m.v
	bleeding := v.site.bleed != nil || v.site.afterOff != nil
	m.flag(FlagBleeding, bleeding, "The access site bleeds.")
	book := v.ledger.book()
	doubtful := v.bandOn() && !v.ended() && m.e.Protocol != nil && book.State != BookKnown
	m.flag(FlagVolumeInDoubt, doubtful, "The volume of air in the band is not known for sure.")
	m.flag(FlagNotPatent, v.flow.shut != nil, "The last test did not find the radial artery open.")
	long := v.bandOn() && !m.now.Before(v.worn().Add(v.p.WarnBandTime))
	m.flag(FlagBandTime, long, fmt.Sprintf("The band has been on for more than %s.", span(v.p.WarnBandTime)))
	m.flag(FlagHand, v.body.hand != nil, "The hand on the side of the puncture is not normal.")
	m.flag(FlagHaematoma, v.body.swelling != nil, "There is a haematoma at the access site.")
	m.flag(FlagUnwell, v.body.unwell != nil, "The patient is unwell.")
	since, _, why := v.unsure()
	m.flag(FlagConfirmBedside, !since.IsZero(), "Confirm at the bedside: "+why+".")
}

// flag raises a flag once, and lowers it when its cause is over.
func (m *machine) flag(code FlagCode, active bool, text string) {
	for i := range m.e.Flags {
		f := &m.e.Flags[i]
		if f.Code != code {
			continue
		}
		switch {
		case active && !f.Active:
			*f = Flag{Code: code, Active: true, Start: m.now, Text: text}
		case !active && f.Active:
			f.Active, f.End = false, m.now
		}
		return
	}
	if active {
		m.e.Flags = append(m.e.Flags, Flag{Code: code, Active: true, Start: m.now, Text: text})
	}
}
