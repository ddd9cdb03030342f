package fhir

import "encoding/json"

// Coding is R4 Coding (hl7.org/fhir/R4/datatypes.html#Coding).
type Coding struct {
	System  string `json:"system,omitempty"`
	Version string `json:"version,omitempty"`
	Code    string `json:"code,omitempty"`
	Display string `json:"display,omitempty"`
}

// Is reports whether the coding is this code of this system.
func (c Coding) Is(system, code string) bool { return c.System == system && c.Code == code }

// CodeableConcept is R4 CodeableConcept.
type CodeableConcept struct {
	Coding []Coding `json:"coding,omitempty"`
	Text   string   `json:"text,omitempty"`
}

// Has reports whether one of the codings is this code of this system.
func (c CodeableConcept) Has(system, code string) bool {
	for _, x := range c.Coding {
		if x.Is(system, code) {
			return true
		}
	}
	return false
}

// Identifier is R4 Identifier.
type Identifier struct {
	Use    string           `json:"use,omitempty"`
	Type   *CodeableConcept `json:"type,omitempty"`
	System string           `json:"system,omitempty"`
	Value  string           `json:"value,omitempty"`
}

// Reference is R4 Reference. At least one element must be set.
type Reference struct {
	Reference  string      `json:"reference,omitempty"`
	Type       string      `json:"type,omitempty"`
	Identifier *Identifier `json:"identifier,omitempty"`
	Display    string      `json:"display,omitempty"`
}

// Period is R4 Period; its ends keep their text.
type Period struct {
	Start string `json:"start,omitempty"`
	End   string `json:"end,omitempty"`
}

// Quantity is R4 Quantity. Value keeps its written precision: 1.30 is not 1.3.
type Quantity struct {
	Value      json.Number `json:"value,omitempty"`
	Comparator string      `json:"comparator,omitempty"`
	Unit       string      `json:"unit,omitempty"`
	System     string      `json:"system,omitempty"`
	Code       string      `json:"code,omitempty"`
}

// Annotation is R4 Annotation.
type Annotation struct {
	AuthorReference *Reference `json:"authorReference,omitempty"`
	AuthorString    string     `json:"authorString,omitempty"`
	Time            string     `json:"time,omitempty"`
	Text            string     `json:"text"`
}

// Narrative is R4 Narrative; Div is XHTML (hl7.org/fhir/R4/narrative.html).
type Narrative struct {
	Status string `json:"status"`
	Div    string `json:"div"`
}

// Meta is R4 Meta as far as fhirsvc writes it.
type Meta struct {
	VersionID   string   `json:"versionId,omitempty"`
	LastUpdated string   `json:"lastUpdated,omitempty"`
	Profile     []string `json:"profile,omitempty"`
	Tag         []Coding `json:"tag,omitempty"`
}

// Extension is R4 Extension with the value types that fhirsvc uses: either Extension
// or one value.
type Extension struct {
	URL                  string           `json:"url"`
	Extension            []Extension      `json:"extension,omitempty"`
	ValueString          string           `json:"valueString,omitempty"`
	ValueCanonical       string           `json:"valueCanonical,omitempty"`
	ValueCode            string           `json:"valueCode,omitempty"`
	ValueBoolean         *bool            `json:"valueBoolean,omitempty"`
	ValueInteger         json.Number      `json:"valueInteger,omitempty"`
	ValueDecimal         json.Number      `json:"valueDecimal,omitempty"`
	ValueInstant         string           `json:"valueInstant,omitempty"`
	ValueDateTime        string           `json:"valueDateTime,omitempty"`
	ValueQuantity        *Quantity        `json:"valueQuantity,omitempty"`
	ValueCodeableConcept *CodeableConcept `json:"valueCodeableConcept,omitempty"`
	ValueCoding          *Coding          `json:"valueCoding,omitempty"`
	ValueReference       *Reference       `json:"valueReference,omitempty"`
}
