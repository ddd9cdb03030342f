package fhir

import (
	"encoding/json"
	"time"

	"github.com/google/uuid"
	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"fhirsvc/internal/fhir/outcome"
)

// Answer is what the sender of a message is told.
type Answer struct {
	Request     string // MessageHeader.id of the message that is answered
	Event       Coding // its event
	Destination string // its source.endpoint; "" when not told
	Endpoint    string // of this service, a URL
	Software    string // version of fhirsvc
	At          time.Time
	// Plans are the CarePlans that the message led to. They stand in the Bundle too, since
	// what a MessageHeader has in focus is always included (R4 MessageHeader.focus).
	Plans []Focus
	// Issues with an error make the answer a fatal-error; else they are told beside ok.
	Issues []outcome.Issue
}

// Focus is a resource that an answer is about: its reference (CarePlan/7) and bytes.
type Focus struct {
	Reference string
	Body      []byte
}

// answers' ids are derived from the message answered, so that a repeat of the work
// gives the same bytes.
func (a Answer) id(part string) string {
	return uuid.NewSHA1(uuid.NameSpaceURL, []byte(SystemInput+"|"+a.Destination+"|"+a.Request+"|"+part)).String()
}

// RenderAnswer writes the R4 response message: a Bundle of type message with a
// MessageHeader, the plans and, where there is something to say, an OperationOutcome. It fails
// only on what can't be written as JSON, which is a fault of ours.
func RenderAnswer(a Answer) ([]byte, error) {
	header := MessageHeader{
		ResourceType: "MessageHeader",
		ID:           a.id("header"),
		EventCoding:  &a.Event,
		Source:       MessageSource{Name: softwareName, Software: softwareName, Version: a.Software, Endpoint: a.Endpoint},
		Response:     &MessageResponse{Identifier: a.Request, Code: MessageResponseOK},
	}
	if a.Destination != "" {
		header.Destination = []MessageDestination{{Endpoint: a.Destination}}
	}
	if outcome.HasErrors(a.Issues) {
		header.Response.Code = MessageResponseFatalError
	}
	var entries []r4.BundleEntry
	for _, p := range a.Plans {
		header.Focus = append(header.Focus, Reference{Reference: p.Reference})
		entries = append(entries, entry(a.Endpoint+"/"+p.Reference, p.Body))
	}
	if len(a.Issues) > 0 {
		url := "urn:uuid:" + a.id("outcome")
		header.Response.Details = &Reference{Reference: url}
		entries = append(entries, entry(url, outcome.JSON(a.Issues)))
	}
	body, err := encode(header)
	if err != nil {
		return nil, err
	}
	// Below the same base as the plans, so that the relative references resolve.
	entries = append([]r4.BundleEntry{entry(a.Endpoint+"/MessageHeader/"+header.ID, body)}, entries...)
	return encode(struct {
		ResourceType string `json:"resourceType"`
		r4.OtherBundle
	}{"Bundle", r4.OtherBundle{
		Id: ptr(a.id("bundle")), Type: r4.BundleTypeMessage, Timestamp: ptr(Instant(a.At)), Entry: entries,
	}})
}

func entry(url string, body []byte) r4.BundleEntry {
	return r4.BundleEntry{FullUrl: &url, Resource: json.RawMessage(body)}
}
