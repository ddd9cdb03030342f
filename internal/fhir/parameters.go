package fhir

// parameters is R4 Parameters as far as it is written here
// (hl7.org/fhir/R4/parameters.html).
type parameters struct {
	ResourceType string      `json:"resourceType"`
	Meta         *Meta       `json:"meta,omitempty"`
	Parameter    []parameter `json:"parameter"`
}

type parameter struct {
	Name                 string           `json:"name"`
	ValueCanonical       string           `json:"valueCanonical,omitempty"`
	ValueCode            string           `json:"valueCode,omitempty"`
	ValueCodeableConcept *CodeableConcept `json:"valueCodeableConcept,omitempty"`
	ValueDateTime        string           `json:"valueDateTime,omitempty"`
	ValueInstant         string           `json:"valueInstant,omitempty"`
	ValueInteger         *int             `json:"valueInteger,omitempty"`
	ValueReference       *Reference       `json:"valueReference,omitempty"`
	ValueString          string           `json:"valueString,omitempty"`
	Part                 []parameter      `json:"part,omitempty"`
}
