package episode

import (
	"time"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
)

// Door is the way an event came in.
type Door string

// The doors.
const (
	DoorJetStream Door = "jetstream"
	DoorHTTP      Door = "http"
)

// Message is one event as it was received.
type Message struct {
	Body        []byte
	ContentType string
	Door        Door
}

// MessageAnswer is what the sender of an accepted message is told. A repeat gets the
// first answer again.
type MessageAnswer struct {
	Repeat   bool
	Response []byte // an R4 response message (Bundle), application/fhir+json
	Warnings []outcome.Issue
}

// Client is who calls: a charting screen or a system. ID is stable and not personal.
type Client struct {
	ID      string
	Display string
}

// Entry is one change that a client asks for: a single request, or an entry of a
// transaction.
type Entry struct {
	Method      string // POST, PUT or PATCH
	Type        string // resource type
	ID          string // "" for POST
	FullURL     string // of a transaction entry, so that others can refer to it
	IfMatch     string // as received, such as W/"3"
	IfNoneExist string // query string
	Body        []byte // R4 JSON; for PATCH an RFC 6902 document
	Path        string // FHIRPath of the resource in a transaction, such as Bundle.entry[2].resource; "" for a single request
}

// EntryResult is what became of an entry. Created is false for an update and for a
// create that repeats an earlier one. Warnings never stop a change.
type EntryResult struct {
	Created  bool
	Resource store.Resource
	Warnings []outcome.Issue
}

// Clock gives the time that computes.
type Clock func() time.Time
