package fhir

import (
	"strings"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/workflow"
)

// value reads the value of a finding and the components that belong to it.
func (r *reader) value(f *workflow.Finding, code CodeableConcept) {
	switch f.Code {
	case workflow.AirVolume, workflow.AirRemoved, workflow.AirAdded:
		f.Amount = r.amount(r.root.Get("valueQuantity"), "value", milliLitres()...)
	case workflow.CompressionStart:
		r.compressionStart(f)
	case workflow.Patency:
		r.answer(f)
		f.Method = r.method()
		f.Text = r.remarks()
	case workflow.Haematoma:
		r.answer(f)
		if n := r.component(CodeHaematomaDiameter); n != nil {
			f.Amount = r.amount(n.Get("valueQuantity"), "component.value", UnitCentimetre)
		}
		f.Grade = r.grade()
		f.Text = r.remarks()
	case workflow.Hand:
		r.answer(f)
		f.Signs = r.signs(f.Answer)
		f.Text = r.remarks()
	case workflow.Pain:
		f.Amount = r.score()
		r.orInWords(f, code)
	case workflow.Pressure:
		f.Amount = r.systolic(code)
		r.orInWords(f, code)
	case workflow.Bleeding, workflow.Pulse, workflow.Band, workflow.Condition:
		r.answer(f)
		f.Text = r.remarks()
	case workflow.Anticoagulant, workflow.OtherFinding:
		f.Text = r.other(code)
	}
}

// orInWords keeps a finding that has no amount as one that only a person reads.
func (r *reader) orInWords(f *workflow.Finding, code CodeableConcept) {
	if f.Amount != nil {
		f.Text = r.remarks()
		return
	}
	f.Code, f.Text = workflow.OtherFinding, r.other(code)
}

func (r *reader) compressionStart(f *workflow.Finding) {
	n := r.root.Get("valueDateTime")
	t, ok := readTime(n)
	switch {
	case n == nil:
		r.fault(outcome.CodeRequired, "value", nil, "valueDateTime is needed, or dataAbsentReason")
	case !ok:
		r.fault(outcome.CodeValue, "value", n, "a time of day with an offset is needed, such as 2026-01-31T14:05:00+01:00")
	}
	f.Instant = t
}

// answer reads a coded answer, which must be one of the finding's own.
func (r *reader) answer(f *workflow.Finding) {
	n := r.root.Get("valueCodeableConcept")
	if n == nil {
		r.fault(outcome.CodeRequired, "value", nil, "valueCodeableConcept is needed, or dataAbsentReason")
		return
	}
	a, ok := ReadAnswer(f.Code, readConcept(n))
	if !ok {
		r.fault(outcome.CodeCodeInvalid, "value", n, "this is no answer to %s: %s", f.Code, strings.Join(answerCodes(f.Code), ", "))
	}
	f.Answer = a
}

// answerCodes names the codes that answer a finding.
func answerCodes(f workflow.FindingCode) []string {
	var codes []string
	for _, m := range answers(f) {
		if m.local != "" {
			codes = append(codes, string(m.local))
		}
		for _, s := range m.same {
			codes = append(codes, s.Code)
		}
	}
	return codes
}

// method reads how patency was tested, from Observation.method or its component.
// Without one the site's usual test is meant.
func (r *reader) method() workflow.Method {
	element, n := "method", r.root.Get("method")
	if n == nil {
		element, n = "component.value", r.component(CodePatencyMethod).Get("valueCodeableConcept")
	}
	if n == nil {
		return workflow.WaveformUlnarCompressed
	}
	m, ok := ReadMethod(readConcept(n))
	if !ok {
		r.fault(outcome.CodeCodeInvalid, element, n, "this method is not known, so nobody can tell whether it shows an open radial artery: %s, %s, %s or %s",
			workflow.WaveformUlnarCompressed, workflow.Waveform, workflow.Doppler, workflow.Duplex)
	}
	return m
}

// grade reads the grade of a haematoma, 1 to 5; 0 when none is told. One that can't be
// read is kept in words.
func (r *reader) grade() int {
	n := r.component(CodeHaematomaGrade)
	if n == nil {
		return 0
	}
	c := readConcept(n.Get("valueCodeableConcept"))
	for i, grade := range []Code{CodeGradeI, CodeGradeII, CodeGradeIII, CodeGradeIV, CodeGradeV} {
		if grade.In(c) {
			return i + 1
		}
	}
	r.warn(outcome.CodeCodeInvalid, "component.value", n, "the grade is kept in words: it counts as I, II, III, IV or V of %s", SystemLocal)
	return 0
}

// component gives the component with a local code, nil if there is none.
func (r *reader) component(code Code) *tree.Node {
	for n := range r.root.Get("component").Items() {
		if code.In(readConcept(n.Get("code"))) {
			return n
		}
	}
	return nil
}

// remarks are the components and notes as a person would read them.
func (r *reader) remarks() string {
	var parts []string
	for n := range r.root.Get("component").Items() {
		if label, v := readConcept(n.Get("code")).label(), shownValue(n); label != "" && v != "" {
			parts = append(parts, label+": "+v)
		}
	}
	for n := range r.root.Get("note").Items() {
		if t := n.Str("text"); t != "" {
			parts = append(parts, t)
		}
	}
	return strings.Join(parts, "; ")
}

// other is a finding that only a person reads.
func (r *reader) other(code CodeableConcept) string {
	parts := []string{code.label()}
	if v := shownValue(r.root); v != "" {
		parts[0] += ": " + v
	}
	if more := r.remarks(); more != "" {
		parts = append(parts, more)
	}
	return strings.Join(parts, "; ")
}

// shownValue is value[x] as text, for the types that a bedside finding has.
func shownValue(n *tree.Node) string {
	for c := range n.Members() {
		switch c.Name {
		case "valueQuantity":
			q := readQuantity(c)
			unit := q.Unit
			if unit == "" {
				unit = q.Code
			}
			return strings.TrimSpace(q.Comparator + string(q.Value) + " " + unit)
		case "valueCodeableConcept":
			return readConcept(c).label()
		case "valueString", "valueInteger", "valueBoolean", "valueDateTime", "valueTime":
			return c.Text
		}
	}
	return ""
}
