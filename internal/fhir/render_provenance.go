package fhir

import (
	"time"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"
)

// Origin tells where a changeset came from: one R4 Provenance is written for each.
type Origin struct {
	Targets  []string  // the versions that were written, such as Task/7/_history/3
	Recorded time.Time // when they were committed
	Occurred time.Time // when the input happened; zero: not told
	Update   bool      // of what was there; else created
	// Author is who charted or sent the input, as Context.Names knows them; "" when
	// nobody did, because time passed.
	Author string
	// Source is the input's own resource (Observation/9/_history/1), or "" when there
	// is none. SourceIdentifier (system|value) stands in for it, for a message.
	Source           string
	SourceIdentifier string
}

// RenderProvenance writes who and what led to a changeset: the author of the input, the
// service that assembled the resources, the input, and the protocol as the policy.
// Targets must not be empty. It fails only on what can't be written as JSON, which is
// a fault of ours.
func RenderProvenance(o Origin, c Context, v Version) ([]byte, error) {
	r := r4.OtherProvenance{
		Id:       ptr(v.ID),
		Meta:     asMeta(v.meta()),
		Recorded: Instant(o.Recorded),
		Activity: o.activity(),
		Agent:    c.agents(o),
		Entity:   o.entities(),
	}
	for _, t := range o.Targets {
		r.Target = append(r.Target, asReference(Reference{Reference: t}))
	}
	if !o.Occurred.IsZero() {
		r.OccurredDateTime = ptr(Instant(o.Occurred))
	}
	if c.Protocol != nil {
		r.Policy = []string{c.Protocol.Canonical()}
	}
	return encode(struct {
		ResourceType string `json:"resourceType"`
		r4.OtherProvenance
	}{"Provenance", r})
}

func (o Origin) activity() *r4.CodeableConcept {
	c := Coding{System: SystemDataOperation, Code: "CREATE", Display: "create"}
	if o.Update {
		c.Code, c.Display = "UPDATE", "revise"
	}
	x := asConcept(CodeableConcept{Coding: []Coding{c}})
	return &x
}

func (c Context) agents(o Origin) []r4.ProvenanceAgent {
	var agents []r4.ProvenanceAgent
	add := func(role, display string, who Reference) {
		kind := asConcept(CodeableConcept{Coding: []Coding{{System: SystemProvenanceAgent, Code: role, Display: display}}})
		agents = append(agents, r4.ProvenanceAgent{Type: &kind, Who: asReference(who)})
	}
	if author := c.person(o.Author); author != nil {
		add("author", "Author", *author)
	}
	assembler := c.service()
	if c.Software != "" {
		assembler.Display += " " + c.Software
	}
	add("assembler", "Assembler", assembler)
	return agents
}

func (o Origin) entities() []r4.ProvenanceEntity {
	what := Reference{Reference: o.Source}
	if id := identifierOf(o.SourceIdentifier); o.Source == "" && id != (Identifier{}) {
		what.Identifier = &id
	}
	if what == (Reference{}) {
		return nil
	}
	return []r4.ProvenanceEntity{{Role: r4.ProvenanceEntityRoleSource, What: asReference(what)}}
}
