package workflow

import (
	"fmt"
	"slices"
	"time"
)

// Limits of haematoma diameters in cm, EASY classification (Bertrand, Interventional
// Cardiology textbook): grade I to 5 cm, II to 10 cm, III above. Growth of 1 cm is
// judgement, to be confirmed by the site.
const (
	haematomaUrgent = "5"
	haematomaStat   = "10"
	haematomaGrowth = "1"
)

// Limits of pain on a scale of 0 to 10, and of its rise after easing (judgement, to be
// confirmed by the site).
const (
	painUrgent = "7"
	painRise   = "3"
)

// lookUnwell is how often the site of an unwell patient is looked at (common practice).
const lookUnwell = 5 * time.Minute

// body is what is known of the patient beside the site and the artery.
type body struct {
	unwell   *Finding  // the last condition, if it was not well
	hand     *Finding  // the last look at the hand, if it was not normal
	suffers  time.Time // since when the hand is not normal
	swelling *Finding  // the haematoma as it was told last
	pain     *Finding
	pressure *Decimal   // the first systolic one that was told, mmHg
	dose     *Finding   // the last anticoagulant given while no band was on
	with     []*Finding // anticoagulants given with the procedure and charted, whose kind was told
}

// worry folds a finding that does not move the plan by itself but may need a person.
func (v *view) worry(f *Finding) {
	if !f.Real() {
		return
	}
	switch f.Code { //nolint:exhaustive // the others are not about this
	case Haematoma:
		v.swells(f)
	case Hand:
		v.handFound(f)
	case Pulse:
		v.pulseFound(f)
	case Condition:
		v.condition(f)
	case Pain:
		v.hurts(f)
	case Pressure:
		v.pressure(f)
	}
}

// condition: an unwell patient waits for an answer, not for a better moment.
func (v *view) condition(f *Finding) {
	v.body.unwell = nil
	if f.Answer == Well {
		v.passed(string(Condition))
		return
	}
	v.body.unwell = f
	v.withhold(string(Condition), Stat, f.When(), fmt.Sprintf("the patient is unwell: %s", f.Answer))
}

func (v *view) pulseFound(f *Finding) {
	switch f.Answer { //nolint:exhaustive // the other answers are not about the pulse
	case Normal:
		v.clear(string(Pulse))
	case Absent:
		v.withhold(string(Pulse), Urgent, f.When(), "the distal radial pulse is absent")
	}
}

// handFound: a hand that may be in danger is told at once; one that is uncomfortable
// under a tight band gets less pressure first, see handConcern.
func (v *view) handFound(f *Finding) {
	if f.Answer == Normal && len(f.Signs) == 0 { // normal with a sign is not normal
		v.body.hand, v.body.suffers = nil, time.Time{}
		v.clear(string(Hand))
		return
	}
	if v.body.hand == nil {
		v.body.suffers = f.When()
	}
	v.body.hand = f
	if !f.endangered() {
		v.passed(string(Hand))
		return
	}
	v.withhold(string(Hand), Stat, f.When(), "the hand is in danger: look at colour, warmth, refill, feeling and movement"+signsText(f.Signs))
}

// endangered reports whether the signs of a hand call a clinician at once: weakness,
// pain out of proportion, or cold with numb with slow refill (common practice); a hand
// whose signs are not told may have any.
func (f *Finding) endangered() bool {
	has := func(signs ...HandSign) bool {
		return !slices.ContainsFunc(signs, func(s HandSign) bool { return !slices.Contains(f.Signs, s) })
	}
	return len(f.Signs) == 0 || has(HandWeak) || has(HandPain) || has(HandCold, HandNumb, HandSlowRefill)
}

func signsText(signs []HandSign) string {
	text := ""
	for i, s := range signs {
		text += []string{"; not normal: ", ", "}[min(i, 1)] + string(s)
	}
	return text
}

// handConcern calls a clinician when an uncomfortable hand is no better after the time
// in which less pressure should have helped.
func (m *machine) handConcern() {
	v := m.v
	f := v.body.hand
	if f == nil || f.endangered() {
		return
	}
	at := v.body.suffers.Add(v.p.EaseRetest)
	m.wakeAt(at)
	if !m.at.Before(at) {
		v.withhold(string(Hand), Urgent, at, fmt.Sprintf("the hand is no better after %s%s", span(v.p.EaseRetest), signsText(f.Signs)))
	}
}

// swells: each grade and each growth is a cause to be told anew.
func (v *view) swells(f *Finding) {
	if f.Answer == Absent {
		v.body.swelling = nil
		v.clear(string(Haematoma))
		return
	}
	told := v.body.swelling
	grew := told != nil && told.Amount != nil && f.Amount != nil &&
		!f.Amount.Less(told.Amount.Add(MustDecimal(haematomaGrowth)))
	worse := told != nil && f.Grade > told.Grade
	if told == nil || grew || worse || told.Amount == nil && f.Amount != nil {
		v.body.swelling = f
	}
	priority := haematomaPriority(f)
	if grew || worse {
		v.clear(string(Haematoma)) // it is asked anew
		priority = priority.atLeast(Urgent)
	}
	v.withhold(string(Haematoma), priority, f.When(), haematomaText(f, told, grew))
}

func haematomaPriority(f *Finding) Priority {
	if f.Amount == nil && f.Grade == 0 {
		return Urgent
	}
	priority := []Priority{Routine, Routine, Urgent, Stat, Stat, Stat}[f.Grade]
	switch {
	case f.Amount == nil:
	case MustDecimal(haematomaStat).Less(*f.Amount):
		return Stat
	case MustDecimal(haematomaUrgent).Less(*f.Amount):
		return priority.atLeast(Urgent)
	}
	return priority
}

// easy are the grades of haematoma after radial access and how far they reach (EASY
// scale, Bertrand, Interventional Cardiology textbook; Giai Via 2015 for grade V).
func easy() []string {
	return []string{
		"", " (grade I, local)", " (grade II, moderate, with muscular infiltration)",
		" (grade III, up the forearm below the elbow)", " (grade IV, above the elbow)",
		" (grade V, compartment syndrome: a surgical emergency)",
	}
}

func haematomaText(f, told *Finding, grew bool) string {
	text := "haematoma at the access site, not measured"
	if f.Amount != nil {
		text = fmt.Sprintf("haematoma of %s cm at the access site", f.Amount)
	}
	text += easy()[f.Grade]
	if grew {
		text += fmt.Sprintf(", grown from %s cm", told.Amount)
	}
	return text
}

// hurts: strong pain, or pain that rose after easing, is told; it withholds nothing.
func (v *view) hurts(f *Finding) {
	before := v.body.pain
	v.body.pain = f
	rose := before != nil && !v.flow.easedAt.IsZero() && !before.When().After(v.flow.easedAt) && f.When().After(v.flow.easedAt) &&
		!f.Amount.Less(before.Amount.Add(MustDecimal(painRise)))
	switch {
	case rose:
		v.concern(string(Pain), Urgent, f.When(), fmt.Sprintf("pain rose from %s to %s of 10 after air was let out", before.Amount, f.Amount))
	case f.Amount.Less(MustDecimal(painUrgent)):
		v.clear(string(Pain))
	default:
		if before != nil && before.Amount.Less(*f.Amount) {
			v.passed(string(Pain)) // worse is asked anew
		}
		v.concern(string(Pain), Urgent, f.When(), fmt.Sprintf("pain of %s of 10", f.Amount))
	}
}

// lowPressure is the systolic pressure in mmHg below which a clinician is told (common
// practice); with an unwell patient a fall by three tenths is low too.
const lowPressure = "90"

func (v *view) pressure(f *Finding) {
	if v.body.pressure == nil {
		v.body.pressure = f.Amount
	}
	low := f.Amount.Less(MustDecimal(lowPressure))
	fell := f.Amount.Times(10).Less(v.body.pressure.Times(7))
	text := fmt.Sprintf("the systolic pressure is %s mmHg", f.Amount)
	switch {
	case v.body.unwell != nil && (low || fell):
		cause := string(Pressure)
		if v.body.unwell.When().Equal(f.When()) {
			cause = string(Condition) // one look, one cause
		}
		v.withhold(cause, Stat, f.When(), text+" and the patient is unwell")
	case low:
		v.concern(string(Pressure), Urgent, f.When(), text)
	default:
		v.clear(string(Pressure))
	}
}
