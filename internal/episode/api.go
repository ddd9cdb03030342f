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

// Message is one event as it was received. By is who sent it over HTTP; over JetStream
// the broker's own permissions say who may, and the event's source is taken for the
// client, of all units.
type Message struct {
	Body        []byte
	ContentType string
	Door        Door
	By          Client
	// Position is the stream's, over JetStream.
	Position store.Position
}

// MessageAnswer is what the sender of an accepted message is told. A repeat gets the
// first answer again.
type MessageAnswer struct {
	Repeat   bool
	Response []byte // an R4 response message (Bundle), application/fhir+json
	Warnings []outcome.Issue
}

// Client is who calls: a charting screen or a system. ID is stable and not personal. The
// zero value is nobody, of no unit.
type Client struct {
	ID      string
	Display string
	// User is whom the client acts for, as the Issuer of its token names them; "" for a
	// system that acts for itself.
	User   string
	Issuer string
	Token  string // id of the token (jti), "" when it has none
	// Address is the network address that the request came from, Trace the id of the
	// request; for the audit trail.
	Address string
	Trace   string
	Units   Units
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
