package fhir

import (
	"crypto/sha1" // of R4 Attachment.hash
	"encoding/base64"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"fhirsvc/internal/fhir/timeline"
	"fhirsvc/internal/workflow"
)

// RenderTimeline keeps the picture of a plan that has ended as an R4 DocumentReference,
// with its list in words as the narrative. Of a plan that runs again after it had ended it
// is superseded: what it showed as the end was none. Nobody has signed it, so that
// docStatus is preliminary. It fails only on what can't be written as JSON, which is a fault
// of ours. Source: hl7.org/fhir/R4/documentreference.html.
func RenderTimeline(t workflow.Timeline, c Context, v Version) ([]byte, error) {
	p := c.draw(t, v.At)
	status, unsigned := r4.DocumentReferenceStatusCurrent, r4.CompositionStatusPreliminary
	if !t.Plan.Status.Ended() {
		status = r4.DocumentReferenceStatusSuperseded
	}
	subject := asReference(c.subject())
	kind := asConcept(CodeableConcept{Coding: []Coding{CodeTimeline.Coding(), loinc("34133-9", "Summary of episode note").Coding}})
	r := r4.OtherDocumentReference{
		Id:          ptr(v.ID),
		Meta:        asMeta(v.meta()),
		Text:        asNarrative(c.timelineText(p)),
		Identifier:  []r4.Identifier{asIdentifier(c.within(SystemDocumentKey, string(CodeTimeline)))},
		Status:      status,
		DocStatus:   &unsigned,
		Type:        &kind,
		Subject:     &subject,
		Date:        ptr(Instant(v.At)),
		Author:      []r4.Reference{asReference(c.service())},
		Description: ptr(clean(p.About)),
		Content:     []r4.DocumentReferenceContent{{Attachment: attached(p)}},
		Context:     c.timelineContext(t),
	}
	return encode(struct {
		ResourceType string `json:"resourceType"`
		r4.OtherDocumentReference
	}{"DocumentReference", r})
}

// attached is the picture with what tells whether it came whole.
func attached(p timeline.Picture) r4.Attachment {
	svg := p.SVG()
	sum, size := sha1.Sum(svg), len(svg)
	return r4.Attachment{
		ContentType: ptr(Image), Language: ptr("en"), Data: ptr(base64.StdEncoding.EncodeToString(svg)),
		Size: &size, Hash: ptr(base64.StdEncoding.EncodeToString(sum[:])), Title: ptr(p.Title),
	}
}

func (c Context) timelineContext(t workflow.Timeline) *r4.DocumentReferenceContext {
	x := r4.DocumentReferenceContext{
		Period:  asPeriod(period(t.Began, t.Plan.End)),
		Related: []r4.Reference{asReference(Reference{Reference: "CarePlan/" + c.Plan})},
	}
	if p := c.procedure(); p != nil {
		x.Related = append(x.Related, asReference(*p))
	}
	if e := c.encounter(); e != nil {
		x.Encounter = []r4.Reference{asReference(*e)}
	}
	return &x
}

// timelineText is what the picture shows, in words.
func (c Context) timelineText(p timeline.Picture) *Narrative {
	var n narrative
	n.para(p.Title, "")
	for _, words := range p.Head {
		n.para("", words)
	}
	var lines []string
	for _, it := range p.Items {
		lines = append(lines, ClockWords(it.At, c.Zone)+": "+it.Words)
	}
	n.list(p.ListTitle, lines)
	n.para("Caution", p.Caution)
	return n.text()
}

// Binary is R4 Binary: content that is no resource, for clients that take resources alone
// (hl7.org/fhir/R4/binary.html).
type Binary struct {
	ResourceType    string     `json:"resourceType"`
	ContentType     string     `json:"contentType"`
	SecurityContext *Reference `json:"securityContext,omitempty"`
	Data            []byte     `json:"data"`
}

// RenderBinary wraps content; whoever may read of, such as CarePlan/1, may read it. It
// does not fail on content of ours.
func RenderBinary(contentType, of string, data []byte) ([]byte, error) {
	return encode(Binary{ResourceType: "Binary", ContentType: contentType, SecurityContext: &Reference{Reference: of}, Data: data})
}
