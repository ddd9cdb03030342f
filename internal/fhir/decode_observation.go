package fhir

import (
	"slices"
	"time"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/workflow"
)

// Chart is what a bedside Observation tells. Finding has no ID, Recorded or Entry yet;
// its Found is zero when the Observation has no time of its own.
type Chart struct {
	Finding      workflow.Finding
	Counts       bool // false: kept without any effect, such as a cancelled one
	Withdrawn    bool // entered in error
	WholePatient bool // of the patient as a whole, not of a wrist
	Subject      Reference
	Encounter    *Reference
	PartOf       []string  // references to procedures
	Performer    Reference // empty when not told
	Identifiers  []Identifier
	Warnings     []outcome.Issue
}

// DecodeChart reads an Observation. path is the FHIRPath of the resource in what was
// sent, "" for one that came alone. The result is nil when there is an error among the
// issues; all are collected.
func DecodeChart(doc *tree.Document, path string) (*Chart, []outcome.Issue) {
	r := newReader(doc, doc.Root, path)
	c := &Chart{Identifiers: readIdentifiers(r.root)}
	r.standing(c)
	r.place(c, "encounter")
	for n := range r.root.Get("performer").Items() {
		c.Performer = readReference(n)
		break
	}
	if c.Counts {
		r.finding(c)
	}
	return r.chart(c)
}

// place reads what tells whose episode it belongs to; encounter is the element's name.
func (r *reader) place(c *Chart, encounter string) {
	r.subject(&c.Subject)
	if n := r.root.Get(encounter); n != nil {
		ref := readReference(n)
		c.Encounter = &ref
	}
	for n := range r.root.Get("partOf").Items() {
		if ref := readReference(n); ref.Reference != "" {
			c.PartOf = append(c.PartOf, ref.Reference)
		}
	}
}

// chart gives what was read, or the errors alone.
func (r *reader) chart(c *Chart) (*Chart, []outcome.Issue) {
	if outcome.HasErrors(r.issues) {
		return nil, errorsOf(r.issues)
	}
	c.Warnings = r.issues
	return c, nil
}

// standing reads what Observation.status makes of the entry.
func (r *reader) standing(c *Chart) {
	switch s := r.root.Str("status"); s {
	case "final", "amended", "corrected", "preliminary":
		c.Counts = true
	case "entered-in-error":
		c.Withdrawn = true
	case "registered", "cancelled", "unknown":
		r.warn(outcome.CodeBusinessRule, "status", r.root.Get("status"), "kept, but with status %s it counts for nothing", s)
	case "":
		r.fault(outcome.CodeRequired, "status", nil, "status is needed")
	default:
		r.fault(outcome.CodeCodeInvalid, "status", r.root.Get("status"), "this is no Observation status")
	}
}

// subject reads whom it is about: a reference or an identifier.
func (r *reader) subject(to *Reference) {
	*to = readReference(r.root.Get("subject"))
	if to.Reference == "" && to.Identifier == nil {
		r.fault(outcome.CodeRequired, "subject", r.root.Get("subject"), "the patient is needed, by reference or by identifier")
	}
}

// finding reads what was found. An unknown code is kept as another finding.
func (r *reader) finding(c *Chart) {
	f := &c.Finding
	code := readConcept(r.root.Get("code"))
	if len(code.Coding) == 0 {
		r.fault(outcome.CodeRequired, "code", r.root.Get("code"), "a code is needed that says what was looked at")
		return
	}
	f.Code = workflow.OtherFinding
	if known, ok := ReadFinding(code); ok {
		f.Code = known
	}
	if f.Code == workflow.Anticoagulant {
		f.Code = workflow.OtherFinding
		r.warn(outcome.CodeBusinessRule, "code", r.root.Get("code"), "kept in words: that an anticoagulant was given counts when it is charted as a MedicationAdministration")
	}
	c.WholePatient = wholePatient(f.Code)
	f.Found = r.found()
	// A cuff sits on whichever arm is free: where pressure was taken says nothing of a wrist.
	if n := r.root.Get("bodySite"); n != nil && f.Code != workflow.Pressure {
		x := readSite(n, finder(nil, r.root))
		f.Side = x.side()
	}
	if f.Side != "" {
		c.WholePatient = false
	}
	if n := r.root.Get("dataAbsentReason"); n != nil {
		f.Missing = missing(readConcept(n))
		f.Text = readConcept(n).label()
		return
	}
	r.value(f, code)
}

// wholePatient reports whether a finding is one of the patient, as long as no side is
// stated.
func wholePatient(f workflow.FindingCode) bool {
	return slices.Contains([]workflow.FindingCode{
		workflow.Condition, workflow.Pain, workflow.Pressure, workflow.OtherFinding,
	}, f)
}

// found reads when it was found: the end of a period, since that is when it was known.
func (r *reader) found() time.Time {
	element, n := "effective", r.root.Get("effectiveDateTime")
	if n == nil {
		n = r.root.Get("effectiveInstant")
	}
	if p := r.root.Get("effectivePeriod"); p != nil {
		element, n = "effective.end", p.Get("end")
		if n == nil {
			element, n = "effective.start", p.Get("start")
		}
	}
	if n == nil {
		element, n = "issued", r.root.Get("issued")
		r.warn(outcome.CodeRequired, "effective", nil, "effectiveDateTime tells when it was found; taken as the time of entry")
	}
	if n == nil {
		return time.Time{}
	}
	t, ok := readTime(n)
	if !ok {
		r.fault(outcome.CodeValue, element, n, "a time of day with an offset is needed, such as 2026-01-31T14:05:00+01:00")
	}
	return t
}

// missing reads why there is no value.
func missing(c CodeableConcept) workflow.Missing {
	switch {
	case c.Has(SystemDataAbsent, "not-performed"):
		return workflow.NotPerformed
	case CodeCouldNotAssess.In(c):
		return workflow.CouldNotAssess
	}
	return workflow.OtherwiseMissing
}
