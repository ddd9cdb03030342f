package workflow

import (
	"fmt"
	"slices"
	"time"
)

// causePrescriber is the cause of reviews that ask for the time of the first release.
const causePrescriber = "prescriber-time"

// needsTime gives the drug for which the protocol asks a prescriber for the time of the
// first release; "" if none was given, the time is there or the release has begun. No
// readable source gives a time for these drugs, so that none is invented.
func (v *view) needsTime() Drug {
	if v.ev == nil || v.orders.time != nil || len(v.releases) > 0 {
		return ""
	}
	given := v.given()
	for _, d := range v.p.AskPrescriber {
		if slices.Contains(given, d) {
			return d
		}
	}
	return ""
}

// given gives the kinds of drug that were given with the procedure: those that the event
// tells, and those that were charted with a time before the band.
func (v *view) given() []Drug {
	all := slices.Clone(v.ev.Drugs)
	for _, f := range v.body.with {
		if !slices.Contains(all, f.Drug) {
			all = append(all, f.Drug)
		}
	}
	return all
}

// timeOrdered ends the open questions for the time of the next step: the order is the
// answer.
func (m *machine) timeOrdered(o *Order) {
	for _, cause := range []string{causePrescriber, string(Anticoagulant)} {
		if t := m.open(ClinicianReview, cause); t != nil {
			t.note(m.now, "answered by the order of the time")
			t.answer(o.By, m.now)
			m.complete(t, earlier(o.Given, o.Recorded))
		}
	}
}

func drugText(d Drug) string {
	switch d {
	case GlycoproteinInhibitor:
		return "a glycoprotein inhibitor was given"
	case Heparin:
		return "heparin was given"
	case OtherAnticoagulant:
	}
	return "an anticoagulant beside heparin was given"
}

// judgeDrugs asks a prescriber for the time that the protocol leaves to them.
func (v *view) judgeDrugs() {
	if d := v.needsTime(); d != "" && v.bandOn() && !v.ended() {
		v.raise(concern{
			cause: causePrescriber, priority: Urgent, at: v.ev.Recorded, byOrder: true,
			text: drugText(d) + ": when may air be let out for the first time? Order the time.",
		})
	}
}

// judgeLateDrug asks when a corrected event, or what is charted, tells such a drug after
// air was let out.
func (v *view) judgeLateDrug() {
	first := v.e.Events[0]
	if len(v.releases) == 0 || !v.bandOn() {
		return
	}
	ask := func(d Drug, told time.Time, how string) {
		if o := v.orders.time; slices.Contains(v.p.AskPrescriber, d) && !slices.Contains(first.Drugs, d) && (o == nil || !o.Recorded.After(told)) {
			v.withhold(causePrescriber, Urgent, told, fmt.Sprintf("%s, %s: when may the next air be let out?", drugText(d), how))
		}
	}
	for _, d := range v.ev.Drugs {
		ask(d, v.ev.Recorded, "as the event was corrected")
	}
	for _, f := range v.body.with {
		if f.Recorded.After(v.releases[0].at) {
			ask(f.Drug, f.Recorded, "as was charted after air was let out")
		}
	}
}

// medicated: an anticoagulant given while the band is on stops releases until a
// prescriber has decided or ordered the time of the next step.
func (v *view) medicated(f *Finding) {
	if !f.Real() {
		return
	}
	if f.When().Before(firstOf(v.first, v.begun())) {
		if f.Drug != "" {
			v.body.with = append(v.body.with, f)
		}
		return
	}
	if !v.bandOn() {
		v.body.dose = f
		return
	}
	name := f.Text
	if name == "" {
		name = "an anticoagulant"
	}
	v.clear(string(Anticoagulant)) // each is asked about anew
	v.withhold(string(Anticoagulant), Urgent, f.When(), fmt.Sprintf("%s was given: when may the next air be let out?", name))
}
