package fhir

import "encoding/json"

// Composition is R4 Composition as fhirsvc writes it
// (hl7.org/fhir/R4/composition.html).
type Composition struct {
	ResourceType string               `json:"resourceType"`
	ID           string               `json:"id"`
	Text         *Narrative           `json:"text"`
	Status       string               `json:"status"`
	Type         CodeableConcept      `json:"type"`
	Subject      *Reference           `json:"subject,omitempty"`
	Encounter    *Reference           `json:"encounter,omitempty"`
	Date         string               `json:"date"`
	Author       []Reference          `json:"author"`
	Title        string               `json:"title"`
	Section      []CompositionSection `json:"section"`
}

// CompositionSection is R4 Composition.section; it always has a text (cmp-1).
type CompositionSection struct {
	Title string      `json:"title"`
	Text  *Narrative  `json:"text"`
	Entry []Reference `json:"entry,omitempty"`
}

// documentBundle is R4 Bundle of type document: it has an identifier of its own and a
// timestamp (bdl-9, bdl-10), and the Composition stands first (bdl-11;
// hl7.org/fhir/R4/documents.html).
type documentBundle struct {
	ResourceType string          `json:"resourceType"`
	ID           string          `json:"id"`
	Identifier   Identifier      `json:"identifier"`
	Type         string          `json:"type"`
	Timestamp    string          `json:"timestamp"`
	Entry        []documentEntry `json:"entry"`
}

type documentEntry struct {
	FullURL  string          `json:"fullUrl"`
	Resource json.RawMessage `json:"resource"`
}
