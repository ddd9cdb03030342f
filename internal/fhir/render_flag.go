package fhir

import (
	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"fhirsvc/internal/workflow"
)

// RenderFlag writes a warning as an R4 Flag of category safety: active while a screen
// should show it, then inactive with the end of its period. It fails only on what
// can't be written as JSON, which is a fault of ours.
func RenderFlag(f workflow.Flag, c Context, v Version) ([]byte, error) {
	code := c.Flag(f.Code)
	code.Text = clean(f.Text)
	author, status := asReference(c.service()), r4.FlagStatusActive
	if !f.Active {
		status = r4.FlagStatusInactive
	}
	safety := CodeableConcept{Coding: []Coding{{System: SystemFlagKind, Code: "safety", Display: "Safety"}}}
	r := r4.OtherFlag{
		Id:         ptr(v.ID),
		Meta:       asMeta(v.meta()),
		Text:       asNarrative(c.flagText(f)),
		Identifier: []r4.Identifier{asIdentifier(c.within(SystemFlagKey, string(f.Code)))},
		Status:     status,
		Category:   []r4.CodeableConcept{asConcept(safety)},
		Code:       asConcept(code),
		Subject:    asReference(c.subject()),
		Period:     asPeriod(period(f.Start, f.End)),
		Author:     &author,
	}
	if e := c.encounter(); e != nil {
		encounter := asReference(*e)
		r.Encounter = &encounter
	}
	return encode(struct {
		ResourceType string `json:"resourceType"`
		r4.OtherFlag
	}{"Flag", r})
}

func (c Context) flagText(f workflow.Flag) *Narrative {
	var n narrative
	state := "no longer active"
	if f.Active {
		state = "ACTIVE"
	}
	n.para(Code(f.Code).Display(), state)
	if t := clean(f.Text); t != "" {
		n.para("", t)
	}
	rows := [][2]string{{"Since", c.told(f.Start)}}
	if !f.End.IsZero() {
		rows = append(rows, [2]string{"Until", c.clock(f.End)})
	}
	n.table(rows)
	return n.text()
}
