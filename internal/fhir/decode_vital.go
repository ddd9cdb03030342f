package fhir

import (
	"slices"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/workflow"
)

// LOINC codes of what is read besides the bedside findings' own.
const (
	loincPressurePanel = "85354-9"
	loincSystolic      = "8480-6"
	loincRefill        = "44963-7"
)

// signs reads what is not normal about a hand from its components, each sign once, in
// the order in which they were told.
func (r *reader) signs(answer workflow.Answer) []workflow.HandSign {
	var told []workflow.HandSign
	for n := range r.root.Get("component").Items() {
		part, ok := handPartOf(readConcept(n.Get("code")))
		if !ok || n.Get("dataAbsentReason") != nil {
			continue
		}
		sign, ok := r.sign(n, part)
		if !ok {
			r.warn(outcome.CodeCodeInvalid, "component.value", n, "this part of the hand is kept in words: it counts as normal or as a sign when its answer is coded")
			continue
		}
		if sign != "" && !slices.Contains(told, sign) {
			told = append(told, sign)
		}
	}
	if answer == workflow.Normal && len(told) > 0 {
		r.warn(outcome.CodeBusinessRule, "value", r.root.Get("valueCodeableConcept"), "the hand is charted as normal, and a part of it as not normal: both are kept")
	}
	return told
}

// score reads a pain score from 0 to 10, as a Quantity in {score} or 1, or as an
// integer; nil, with a warning, for anything else.
func (r *reader) score() *workflow.Decimal {
	var d *workflow.Decimal
	if n := r.root.Get("valueInteger"); n.Is(tree.Number) {
		if i, err := workflow.ParseDecimal(n.Text); err == nil && i.Sign() >= 0 {
			d = &i
		}
	} else {
		d = r.tryAmount(r.root.Get("valueQuantity"), "value", UnitScore, UnitOne)
	}
	if d != nil && workflow.MustDecimal("10").Less(*d) {
		r.warn(outcome.CodeValue, "value", r.root.Get("valueQuantity"), "the score is from 0 to 10: kept in words")
		return nil
	}
	return d
}

// systolic reads the systolic pressure in mm[Hg], alone or as a component of the panel;
// nil, with a warning, when it can't be read.
func (r *reader) systolic(code CodeableConcept) *workflow.Decimal {
	if code.Has(SystemLOINC, loincSystolic) {
		return r.tryAmount(r.root.Get("valueQuantity"), "value", UnitPressure)
	}
	for n := range r.root.Get("component").Items() {
		if readConcept(n.Get("code")).Has(SystemLOINC, loincSystolic) {
			return r.tryAmount(n.Get("valueQuantity"), "component.value", UnitPressure)
		}
	}
	return nil
}

// tryAmount reads an amount without which the finding is still worth keeping: what is
// wrong with it is a warning.
func (r *reader) tryAmount(n *tree.Node, element string, units ...string) *workflow.Decimal {
	before := len(r.issues)
	d := r.amount(n, element, units...)
	for i := range r.issues[before:] {
		r.issues[before+i].Severity = outcome.SeverityWarning
		r.issues[before+i].Details += ": kept in words"
	}
	return d
}
