package main

import (
	"slices"

	"fhirsvc/internal/fhir"
)

const valueSetBase = fhir.CanonicalBase + "/ValueSet/"

const (
	systemTaskStatus  = "http://hl7.org/fhir/task-status"
	systemPlanStatus  = "http://hl7.org/fhir/request-status"
	systemEventStatus = "http://hl7.org/fhir/event-status"

	systemObservationStatus = "http://hl7.org/fhir/observation-status"
)

// valueSet lists its codes one by one.
type valueSet struct {
	id, name, title, description string
	codes                        []fhir.Coding
}

// include is ValueSet.compose.include of one code system.
type include struct {
	System  string    `json:"system"`
	Concept []concept `json:"concept"`
}

type concept struct {
	Code    string `json:"code"`
	Display string `json:"display,omitempty"`
}

// resource writes the value set, its codes by system in the order of their first one.
func (v valueSet) resource() []byte {
	var includes []include
	at := map[string]int{}
	for _, c := range v.codes {
		i, known := at[c.System]
		if !known {
			i = len(includes)
			at[c.System] = i
			includes = append(includes, include{System: c.System})
		}
		includes[i].Concept = append(includes[i].Concept, concept{c.Code, c.Display})
	}
	w := newResource("ValueSet", v.id, v.title, v.description)
	w.member("url", valueSetBase+v.id)
	w.member("version", fhir.Published)
	w.member("name", v.name)
	w.member("title", v.title)
	w.standing()
	w.member("description", v.description)
	if text := v.copyright(); text != "" {
		w.member("copyright", text)
	}
	w.member("compose", map[string]any{"include": includes})
	return w.end()
}

// copyright is what the publishers of the codes ask to be told.
func (v valueSet) copyright() string {
	for _, c := range v.codes {
		if c.System == fhir.SystemSNOMED {
			return "This value set includes content from SNOMED CT, which is copyright 2002+ International Health Terminology " +
				"Standards Development Organisation (IHTSDO). Concepts outside the Global Patient Set need the licence of whoever uses them."
		}
	}
	return ""
}

func sct(code, display string) fhir.Coding {
	return fhir.Coding{System: fhir.SystemSNOMED, Code: code, Display: display}
}

func loinc(code, display string) fhir.Coding {
	return fhir.Coding{System: fhir.SystemLOINC, Code: code, Display: display}
}

func dcm(code, display string) fhir.Coding {
	return fhir.Coding{System: fhir.SystemDICOM, Code: code, Display: display}
}

func codings(codes ...fhir.Code) []fhir.Coding {
	var out []fhir.Coding
	for _, c := range codes {
		out = append(out, c.Coding())
	}
	return out
}

// used are the codes of the local code system that stand in one element.
func used(use fhir.Use) []fhir.Coding {
	var out []fhir.Coding
	for _, c := range fhir.Concepts() {
		if c.Use == use {
			out = append(out, c.Code.Coding())
		}
	}
	return out
}

// published are codes of one of HL7's code systems, whose displays stand there.
func published(system string, codes ...string) []fhir.Coding {
	var out []fhir.Coding
	for _, c := range codes {
		out = append(out, fhir.Coding{System: system, Code: c})
	}
	return out
}

func valueSets() []valueSet {
	return slices.Concat(answers(), handAnswers(), parts(), work())
}
