package fhir

// Communication is R4 Communication as fhirsvc writes it
// (hl7.org/fhir/R4/communication.html).
type Communication struct {
	ResourceType string                 `json:"resourceType"`
	ID           string                 `json:"id,omitempty"`
	Meta         *Meta                  `json:"meta,omitempty"`
	Text         *Narrative             `json:"text,omitempty"`
	Identifier   []Identifier           `json:"identifier,omitempty"`
	BasedOn      []Reference            `json:"basedOn,omitempty"`
	Status       string                 `json:"status"`
	Category     []CodeableConcept      `json:"category,omitempty"`
	Priority     string                 `json:"priority,omitempty"`
	Subject      *Reference             `json:"subject,omitempty"`
	About        []Reference            `json:"about,omitempty"`
	Encounter    *Reference             `json:"encounter,omitempty"`
	Sent         string                 `json:"sent,omitempty"`
	Received     string                 `json:"received,omitempty"`
	Recipient    []Reference            `json:"recipient,omitempty"`
	Sender       *Reference             `json:"sender,omitempty"`
	Payload      []CommunicationPayload `json:"payload,omitempty"`
	Note         []Annotation           `json:"note,omitempty"`
}

// CommunicationPayload is R4 Communication.payload with content as text.
type CommunicationPayload struct {
	ContentString string `json:"contentString"`
}
