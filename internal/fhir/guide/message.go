package guide

import (
	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/profiles"
)

// messageDefinition is R4 MessageDefinition (hl7.org/fhir/R4/messagedefinition.html).
type messageDefinition struct {
	header
	Purpose          string      `json:"purpose"`
	EventCoding      fhir.Coding `json:"eventCoding"`
	Category         string      `json:"category"`
	Focus            []focus     `json:"focus"`
	ResponseRequired string      `json:"responseRequired"`
}

type focus struct {
	Code    string `json:"code"`
	Profile string `json:"profile,omitempty"`
	Min     int    `json:"min"`
	Max     string `json:"max"`
}

// event is what the service is told by a message.
type event struct {
	code    fhir.Code
	focus   focus
	purpose string
}

func events() []event {
	return []event{
		{
			fhir.CodeProcedureCompleted,
			focus{"Procedure", profiles.Base + "catheterization-procedure", 1, "1"},
			"Starts, corrects or withdraws the plan of each radial access site. The Bundle is held to the profile procedure-completed-message.",
		},
		{fhir.CodePatientMoved, focus{"Encounter", "", 1, "1"}, "Tells where the patient of the encounter is: Encounter.location."},
		{fhir.CodeEncounterEnded, focus{"Encounter", "", 1, "1"}, "Tells that the patient left: Encounter.period.end."},
	}
}

// messages gives a MessageDefinition for each event. A message is of consequence: its
// receiver must not take it twice.
func messages() []any {
	var out []any
	for _, e := range events() {
		coding := e.code.Coding()
		out = append(out, messageDefinition{
			header:  newHeader("MessageDefinition", string(e.code), e.code.Pascal(), "Message: "+coding.Display, definitionOf(e.code)),
			Purpose: e.purpose, EventCoding: coding, Category: "consequence", Focus: []focus{e.focus}, ResponseRequired: "always",
		})
	}
	return out
}

// definitionOf gives what the code system says that a code means.
func definitionOf(code fhir.Code) string {
	for _, c := range fhir.Concepts() {
		if c.Code == code {
			return c.Definition
		}
	}
	panic("no local code " + string(code)) // codes of this package are constants
}
