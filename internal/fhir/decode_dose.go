package fhir

import (
	"slices"
	"time"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/workflow"
)

// DecodeDose reads a MedicationAdministration. What was given counts, as a finding, when
// it is an anticoagulant; any other drug is kept without an effect. The result is nil when
// there is an error among the issues; all are collected.
func DecodeDose(doc *tree.Document, path string) (*Chart, []outcome.Issue) {
	r := newReader(doc, doc.Root, path)
	c := &Chart{Identifiers: readIdentifiers(r.root), WholePatient: true}
	r.place(c, "context")
	for n := range r.root.Get("performer").Items() {
		c.Performer = readReference(n.Get("actor"))
		break
	}
	c.Withdrawn = r.root.Str("status") == "entered-in-error"
	medication := r.medication(finder(nil, r.root))
	if drug, known := ReadDrug(medication); known && r.given() {
		c.Counts = true
		c.Finding = workflow.Finding{Code: workflow.Anticoagulant, Found: r.givenAt(), Drug: drug, Text: medication.label()}
	}
	return r.chart(c)
}

// given reports whether at least a part of the dose went into the patient. R4
// medication-admin-status: on-hold and stopped come after something was given.
func (r *reader) given() bool {
	return slices.Contains([]string{"completed", "in-progress", "on-hold", "stopped"}, r.root.Str("status"))
}

// givenAt reads when the drug was given last; what still runs, when it was begun.
func (r *reader) givenAt() time.Time {
	p := r.root.Get("effectivePeriod")
	if n := p.Get("start"); n != nil && r.root.Str("status") == "in-progress" {
		t, ok := readTime(n)
		if !ok {
			r.fault(outcome.CodeValue, "effective.start", n, "a time of day with an offset is needed, such as 2026-01-31T14:05:00+01:00")
		}
		return t
	}
	return r.found()
}

// medication reads what was given, from its concept or from the Medication that is
// referred to, as far as find knows it. Without a code nobody can tell what kind of drug
// it is; then there is a warning.
func (r *reader) medication(find func(ref string) *tree.Node) CodeableConcept {
	element, n := "medication", r.root.Get("medicationCodeableConcept")
	if n == nil {
		n = find(r.root.Get("medicationReference").Str("reference")).Get("code")
	}
	c := readConcept(n)
	if len(c.Coding) == 0 {
		r.warn(outcome.CodeCodeInvalid, element, n, "without a code, best of ATC (%s), nobody can tell here whether this is an anticoagulant: taken as none", SystemATC)
	}
	return c
}

// dose reads a MedicationAdministration that came with the procedure.
func (d *decoder) dose(r *reader) func(*SiteNotice) {
	drug, known := ReadDrug(r.medication(finder(d.entries, r.root)))
	if !known || !r.given() {
		return nil
	}
	return func(s *SiteNotice) { s.Event.Drugs = withDrug(s.Event.Drugs, drug) }
}

// withDrug adds a kind of drug, each once, in the order of the table.
func withDrug(told []workflow.Drug, drug workflow.Drug) []workflow.Drug {
	var all []workflow.Drug
	for _, row := range drugs() {
		if row.value == drug || slices.Contains(told, row.value) {
			all = append(all, row.value)
		}
	}
	return all
}
