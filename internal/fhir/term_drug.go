package fhir

import (
	"strings"

	"fhirsvc/internal/workflow"
)

// drugs: the local codes, so that a site without the ATC classification can tell the kind
// all the same, and the SNOMED CT concepts of heparin.
func drugs() []term[workflow.Drug] {
	return []term[workflow.Drug]{
		{value: workflow.Heparin, local: CodeHeparin, also: []standard{
			sct("372877000", "Heparin (substance)"), sct("84812008", "Product containing heparin (medicinal product)"),
		}},
		{value: workflow.GlycoproteinInhibitor, local: CodeGlycoproteinInhibitor},
		{value: workflow.OtherAnticoagulant, local: CodeOtherAnticoagulant},
	}
}

// atcRow says what kind of anticoagulant a group or substance of the ATC classification
// is.
type atcRow struct {
	code string
	drug workflow.Drug
	name string
}

// atcRows are from the ATC/DDD Index of the WHO Collaborating Centre for Drug Statistics
// Methodology, group B01A (whocc.no/atc_ddd_index). Other inhibitors of platelet
// aggregation (the rest of B01AC) are no anticoagulants and change nothing.
func atcRows() []atcRow {
	return []atcRow{
		{"B01AB", workflow.Heparin, "Heparin group"},
		{"B01AC13", workflow.GlycoproteinInhibitor, "abciximab"},
		{"B01AC16", workflow.GlycoproteinInhibitor, "eptifibatide"},
		{"B01AC17", workflow.GlycoproteinInhibitor, "tirofiban"},
		{"B01AA", workflow.OtherAnticoagulant, "Vitamin K antagonists"},
		{"B01AE", workflow.OtherAnticoagulant, "Direct thrombin inhibitors"},
		{"B01AF", workflow.OtherAnticoagulant, "Direct factor Xa inhibitors"},
		{"B01AX", workflow.OtherAnticoagulant, "Other antithrombotic agents"},
	}
}

// ReadDrug reads what kind of anticoagulant a medication is; false when it is none.
func ReadDrug(c CodeableConcept) (workflow.Drug, bool) {
	for _, x := range c.Coding {
		if x.System != SystemATC {
			continue
		}
		for _, row := range atcRows() {
			if strings.HasPrefix(strings.ToUpper(x.Code), row.code) {
				return row.drug, true
			}
		}
	}
	return read(drugs(), c)
}

// Drug writes a kind of anticoagulant.
func (t Terminology) Drug(d workflow.Drug) CodeableConcept { return write(drugs(), d, t) }
