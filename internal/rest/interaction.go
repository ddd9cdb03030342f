package rest

import "fhirsvc/internal/fhir/search"

// interaction is a code of http://hl7.org/fhir/ValueSet/type-restful-interaction.
type interaction string

const (
	interactionRead        interaction = "read"
	interactionVread       interaction = "vread"
	interactionHistory     interaction = "history-instance"
	interactionHistoryType interaction = "history-type"
	interactionSearch      interaction = "search-type"
	interactionCreate      interaction = "create"
	interactionUpdate      interaction = "update"
	interactionPatch       interaction = "patch"
	// interactionOperation is of an operation that is like none of the others; it is of
	// no type's table.
	interactionOperation interaction = "operation"
)

// served is a line of the table that routes, CapabilityStatement and api/openapi.yaml are
// made from.
type served struct {
	Type         string
	Interactions []interaction
}

// resources is the table, in order of type: every type that can be searched is read,
// few are written.
func resources() []served {
	writes := map[string][]interaction{
		"Observation":              {interactionCreate, interactionUpdate},
		"ServiceRequest":           {interactionCreate},
		"MedicationAdministration": {interactionCreate, interactionUpdate},
		"QuestionnaireResponse":    {interactionCreate, interactionUpdate},
		"Subscription":             {interactionCreate, interactionUpdate, interactionPatch},
		"Task":                     {interactionUpdate, interactionPatch},
	}
	types := search.Types()
	out := make([]served, 0, len(types))
	for _, t := range types {
		list := []interaction{interactionRead, interactionVread, interactionHistory, interactionHistoryType, interactionSearch}
		out = append(out, served{Type: t, Interactions: append(list, writes[t]...)})
	}
	return out
}

// serves reports whether a type takes part in an interaction; known is false for a
// type that is not served at all.
func serves(resourceType string, i interaction) (ok, known bool) {
	for _, r := range resources() {
		if r.Type != resourceType {
			continue
		}
		for _, have := range r.Interactions {
			if have == i {
				return true, true
			}
		}
		return false, true
	}
	return false, false
}
