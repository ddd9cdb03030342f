package workflow

import (
	"fmt"
	"strings"
	"time"
)

// fallback stands in where no protocol fits. It holds what is safe to assume: the
// published longest interval between looks at the site (BC Emergency Health Services
// PR32: every 15 min, thinned after removal as in the starters) and the largest volume;
// every bleed is told, nothing is released.
func fallback() *Protocol {
	return &Protocol{
		DeviceMaximum:  MustDecimal(absoluteMaximum),
		ReviewBleeds:   1,
		SiteCheckFirst: 15 * time.Minute,
		SiteCheckThen:  15 * time.Minute,
		WarnBandTime:   3 * time.Hour, // SCAI 2019 abstract: more arteries close above 4 h
		AlertBandTime:  4 * time.Hour,
		EaseRetest:     15 * time.Minute, // a hand that suffers is looked at again (Eid-Lidt 2022)
		AfterRemoval:   []time.Duration{15 * time.Minute, 30 * time.Minute, time.Hour},
		AfterThen:      time.Hour,
		Grace: map[TaskCode]Grace{
			SiteCheck:          {Overdue: 10 * time.Minute, Nurse: 20 * time.Minute},
			ConfirmBandState:   {Overdue: 10 * time.Minute, Nurse: 20 * time.Minute},
			PostRemovalCheck:   {Overdue: 10 * time.Minute, Nurse: 30 * time.Minute},
			RestoreCompression: {Overdue: 2 * time.Minute, Nurse: 5 * time.Minute, Clinician: 10 * time.Minute},
			ControlBleeding:    {Overdue: 2 * time.Minute, Nurse: 5 * time.Minute, Clinician: 10 * time.Minute},
		},
		Required: map[TaskCode][]FindingCode{
			SiteCheck:        {Bleeding},
			PostRemovalCheck: {Bleeding},
			DischargeCheck:   {Bleeding, Hand, Patency},
		},
	}
}

// judge raises what the events themselves ask a person to decide.
func (v *view) judge() {
	if v.ev == nil {
		return
	}
	if v.e.Protocol == nil {
		v.concern("no-protocol", Urgent, v.ev.Recorded, "no plan was made: "+v.e.NoProtocol)
	}
	if v.ev.OtherPlan != "" {
		v.withhold("second-procedure", Urgent, v.ev.Recorded,
			"another plan is open on this wrist: is this the same procedure, or does it replace the other?")
	}
	if len(v.ev.Dropped) > 0 {
		v.concern("event-incomplete", Routine, v.ev.Recorded, "parts of the event could not be used: "+strings.Join(v.ev.Dropped, "; "))
	}
	v.judgeDrugs()
	v.judgeLateDrug()
	v.judgeCorrections()
	v.judgeLeaving()
}

// judgeLeaving tells when the patient left before the plan was done.
func (v *view) judgeLeaving() {
	ended := v.travel.ended
	switch {
	case ended.IsZero() || v.ended() || v.e.completed(DischargeCheck):
	case v.bandOn():
		v.withhold("left-with-band", Urgent, ended, "the encounter ended with the band on: who has taken over?")
	default:
		v.concern("left-without-discharge-check", Routine, ended, "the patient left without the check before discharge")
	}
}

func (v *view) judgeCorrections() {
	first := v.e.Events[0]
	if v.ev.Side != first.Side {
		v.withhold("side-corrected", Urgent, v.ev.Recorded,
			fmt.Sprintf("the wrist was corrected from %s to %s: confirm at the bedside", first.Side, v.ev.Side))
	}
	if v.ev.Refs.Subject != first.Refs.Subject {
		v.withhold("patient-corrected", Urgent, v.ev.Recorded, "the patient of the procedure was corrected: confirm at the bedside")
	}
	if v.ev.Kind != first.Kind {
		v.withhold("procedure-corrected", Urgent, v.ev.Recorded,
			fmt.Sprintf("the procedure was corrected from %s to %s: the plan keeps its protocol", first.Kind, v.ev.Kind))
	}
}

// corrected reports whether the event moved to another wrist or patient.
func (v *view) corrected() bool {
	if v.ev == nil {
		return false
	}
	first := v.e.Events[0]
	return v.ev.Side != first.Side || v.ev.Refs.Subject != first.Refs.Subject
}
