package fhir

// MessageHeader is R4 MessageHeader of a response, as fhirsvc writes it
// (hl7.org/fhir/R4/messageheader.html).
type MessageHeader struct {
	ResourceType string               `json:"resourceType"`
	ID           string               `json:"id,omitempty"`
	EventCoding  *Coding              `json:"eventCoding,omitempty"`
	EventURI     string               `json:"eventUri,omitempty"`
	Destination  []MessageDestination `json:"destination,omitempty"`
	Source       MessageSource        `json:"source"`
	Response     *MessageResponse     `json:"response,omitempty"`
	Focus        []Reference          `json:"focus,omitempty"`
}

// MessageDestination is R4 MessageHeader.destination.
type MessageDestination struct {
	Endpoint string `json:"endpoint"`
}

// MessageSource is R4 MessageHeader.source.
type MessageSource struct {
	Name     string `json:"name,omitempty"`
	Software string `json:"software,omitempty"`
	Version  string `json:"version,omitempty"`
	Endpoint string `json:"endpoint"`
}

// MessageResponse is R4 MessageHeader.response.
type MessageResponse struct {
	Identifier string     `json:"identifier"`
	Code       string     `json:"code"`
	Details    *Reference `json:"details,omitempty"`
}
