package fhir

import (
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/workflow"
)

// handPart is one part of a hand check: what asks for it in Observation.component.code,
// and what its answers say. An answer without a sign says that nothing is wrong.
type handPart struct {
	code    Coding
	answers []term[workflow.HandSign]
}

// handParts is the table of the parts. Answers that say that something is wrong come
// first, so that of two codings the graver one counts; of a sensation that is told broadly
// and narrowly, the narrow one. Colour, warmth and refill are those of the skin and nail
// bed (LOINC), the LOINC answers those of their answer lists, and the SNOMED CT findings
// those of IHE PCC mPSC.
func handParts() []handPart {
	normal := sct("17621005", "Normal (qualifier value)")
	abnormal := sct("263654008", "Abnormal (qualifier value)")
	absent, present := sct("2667000", "Absent (qualifier value)"), sct("52101004", "Present (qualifier value)")
	part := func(code Coding, sign workflow.HandSign, wrong, right []standard) handPart {
		return handPart{code, []term[workflow.HandSign]{
			{value: sign, same: []standard{abnormal}, also: wrong}, {same: []standard{normal}, also: right},
		}}
	}
	return []handPart{
		part(loinc("39107-8", "Color of Skin").Coding, workflow.HandDiscoloured, []standard{
			sct("398979000", "Pale complexion (finding)"), sct("119419001", "Cyanosis of skin (finding)"),
			loinc("LA17206-6", "Pale"), loinc("LA17198-5", "Cyanotic"), loinc("LA17205-8", "Mottled"),
		}, []standard{sctLicensed("297952003", "Skin normal color (finding)")}),
		part(loinc("39106-0", "Temperature of Skin").Coding, workflow.HandCold,
			[]standard{sctLicensed("703883009", "Cold skin"), loinc("LA15475-9", "Cold")},
			[]standard{sctLicensed("102599008", "Warm skin"), loinc("LA17207-4", "Warm")}),
		part(loinc(loincRefill, "Capillary refill [Time] of Nail bed").Coding, workflow.HandSlowRefill,
			[]standard{sctLicensed("50427001", "Increased capillary filling time (finding)")},
			[]standard{sctLicensed("45332005", "Normal capillary filling (finding)")}),
		{CodeHandSensation.Coding(), []term[workflow.HandSign]{
			{value: workflow.HandNumb, local: CodeNumb, same: []standard{sct("309521004", "Numbness of hand (finding)")}, also: []standard{
				sct("33653009", "Absence of sensation (finding)"), sct("398026008", "Reduced sensation of skin (finding)"),
			}},
			{value: workflow.HandTingling, local: CodeTingling, same: []standard{sct("309086004", "Paresthesia of hand (finding)")}},
			{value: workflow.HandNumb, same: []standard{abnormal}, also: []standard{sctLicensed("247322000", "Abnormal sensation")}},
			{same: []standard{normal}, also: []standard{sctLicensed("299956006", "Normal sensation")}},
		}},
		part(CodeHandMovement.Coding(), workflow.HandWeak, []standard{sct("299042006", "Weakness of hand (finding)")}, nil),
		part(CodeHandSwelling.Coding(), workflow.HandSwollen,
			[]standard{present, sct("299037003", "Swelling of hand (finding)")}, []standard{absent}),
		part(CodeHandPain.Coding(), workflow.HandPain,
			[]standard{present, sct("102556003", "Pain in upper limb (finding)")}, []standard{absent}),
	}
}

// handPartOf finds the part that a component is about.
func handPartOf(code CodeableConcept) (handPart, bool) {
	for _, p := range handParts() {
		if code.Has(p.code.System, p.code.Code) {
			return p, true
		}
	}
	return handPart{}, false
}

// ReadHandSign reads a coded answer to one part of a hand check; "" when nothing is
// wrong, and false when the part has no such answer.
func ReadHandSign(part, answer CodeableConcept) (workflow.HandSign, bool) {
	p, ok := handPartOf(part)
	if !ok {
		return "", false
	}
	return read(p.answers, answer)
}

// slowRefill is the time above which the capillary refill of a nail bed is slow, in
// seconds (common practice).
const slowRefill = "3"

// sign reads one component of a hand check; false when it can't be read as a sign, nor
// as the lack of one.
func (r *reader) sign(n *tree.Node, p handPart) (workflow.HandSign, bool) {
	q := n.Get("valueQuantity")
	if q == nil || p.code.Code != loincRefill {
		return read(p.answers, readConcept(n.Get("valueCodeableConcept")))
	}
	limit := workflow.MustDecimal(slowRefill)
	if d := r.amount(q, "component.value", UnitSecond); d != nil && limit.Less(*d) {
		return workflow.HandSlowRefill, true
	}
	return "", true
}
