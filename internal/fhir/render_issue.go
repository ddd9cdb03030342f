package fhir

import (
	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"fhirsvc/internal/workflow"
)

// RenderIssue writes a contradiction between findings as an R4 DetectedIssue: preliminary
// while it is open, final with what settled it as its mitigation. It fails only on what
// can't be written as JSON, which is a fault of ours.
// Source: hl7.org/fhir/R4/detectedissue.html.
func RenderIssue(i workflow.Issue, c Context, v Version) ([]byte, error) {
	code, patient, author := asConcept(c.Issue(i.Code)), asReference(c.subject()), asReference(c.service())
	severity, status := severityOf(i.Code), r4.ObservationStatusPreliminary
	if !i.Settled.IsZero() {
		status = r4.ObservationStatusFinal
	}
	r := r4.OtherDetectedIssue{
		Id:                 ptr(v.ID),
		Meta:               asMeta(v.meta()),
		Text:               asNarrative(c.issueText(i)),
		Identifier:         []r4.Identifier{asIdentifier(c.within(SystemIssueKey, issueKey(i)))},
		Status:             status,
		Code:               &code,
		Severity:           &severity,
		Patient:            &patient,
		IdentifiedDateTime: ptr(Instant(i.Since)),
		Author:             &author,
		Detail:             ptr(clean(i.Text)),
		Mitigation:         mitigations(i),
	}
	for _, id := range i.Findings {
		if id != "" {
			r.Implicated = append(r.Implicated, asReference(Reference{Reference: c.findingRef(id)}))
		}
	}
	return encode(struct {
		ResourceType string `json:"resourceType"`
		r4.OtherDetectedIssue
	}{"DetectedIssue", r})
}

func issueKey(i workflow.Issue) string { return string(i.Code) + "/" + decimalText(i.Ordinal) }

// severityOf is how bad it may get while nobody settles it: a closed artery may stay
// closed, a wrong volume is noticed at the next step (R4 detectedissue-severity;
// judgement).
func severityOf(i workflow.IssueCode) r4.DetectedIssueSeverity {
	switch i {
	case workflow.IssueOpposed:
		return r4.DetectedIssueSeverityHigh
	case workflow.IssueVolume, workflow.IssueTwice:
	}
	return r4.DetectedIssueSeverityModerate
}

// mitigations tells what settled it, and when; nil while it is open, or when nobody told.
func mitigations(i workflow.Issue) []r4.DetectedIssueMitigation {
	action := words(i.How)
	if i.Settled.IsZero() || action == nil {
		return nil
	}
	return []r4.DetectedIssueMitigation{{Action: asConcept(*action), Date: ptr(Instant(i.Settled))}}
}

func (c Context) issueText(i workflow.Issue) *Narrative {
	var n narrative
	state := "OPEN"
	if !i.Settled.IsZero() {
		state = "settled"
	}
	n.para(Code(i.Code).Display(), state)
	if t := clean(i.Text); t != "" {
		n.para("", t)
	}
	rows := [][2]string{{"Since", c.told(i.Since)}}
	if !i.Settled.IsZero() {
		rows = append(rows, [2]string{"Settled", c.clock(i.Settled)}, [2]string{"How", i.How})
	}
	n.table(rows)
	return n.text()
}
