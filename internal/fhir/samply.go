package fhir

import r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

// The published models of the samply community carry the resources that they were
// measured to write without a loss. Their data types hold pointers, so ours are
// converted.

func ptr(s string) *string {
	if s == "" {
		return nil
	}
	return &s
}

func asConcept(c CodeableConcept) r4.CodeableConcept {
	out := r4.CodeableConcept{Text: ptr(c.Text)}
	for _, x := range c.Coding {
		out.Coding = append(out.Coding, r4.Coding{
			System: ptr(x.System), Version: ptr(x.Version), Code: ptr(x.Code), Display: ptr(x.Display),
		})
	}
	return out
}

func asReference(r Reference) r4.Reference {
	out := r4.Reference{Reference: ptr(r.Reference), Type: ptr(r.Type), Display: ptr(r.Display)}
	if r.Identifier != nil {
		id := asIdentifier(*r.Identifier)
		out.Identifier = &id
	}
	return out
}

func asIdentifier(i Identifier) r4.Identifier {
	return r4.Identifier{System: ptr(i.System), Value: ptr(i.Value)}
}

func asMeta(m *Meta) *r4.Meta {
	if m == nil {
		return nil
	}
	return &r4.Meta{VersionId: ptr(m.VersionID), LastUpdated: ptr(m.LastUpdated)}
}

func asNarrative(n *Narrative) *r4.Narrative {
	return &r4.Narrative{Status: r4.NarrativeStatusGenerated, Div: n.Div}
}

func asPeriod(p *Period) *r4.Period {
	if p == nil {
		return nil
	}
	return &r4.Period{Start: ptr(p.Start), End: ptr(p.End)}
}
