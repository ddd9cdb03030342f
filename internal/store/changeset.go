package store

import (
	"time"

	"fhirsvc/internal/fhir/search"
)

// Partitions is the number of outbox partitions; an episode's is a hash of its id.
const Partitions = 64

// Changeset is everything that one accepted input changes. It is committed whole or
// not at all. At most one changeset of a Commit call touches the same episode, and at
// most one has the same inbox key.
type Changeset struct {
	Inbox      *Inbox
	Episodes   []EpisodeChange
	Resources  []Resource
	Identities []Identity
	Outbox     []Outbox
	// Subscriptions are the queues of the Subscription resources among Resources. Events
	// and Sent of one that is there stay as they are.
	Subscriptions []Subscription
	Quarantine    *Quarantine
}

// Inbox makes an input count once: (Source, ID) is unique. Digest is a hash of the
// content, to tell a repeat from other content under the same id. Answer is what the
// sender was told, given again to a repeat. Position is the stream's when this was taken
// in; Answer does not give it back.
type Inbox struct {
	Source string
	ID     string
	Digest string
	Answer []byte
	At     time.Time
	Position
}

// Position is a place in a stream of events. Everything up to Settled is settled: its
// changes were committed before. The stream is known by the instant at which it was made,
// to microseconds. The zero value is none.
type Position struct {
	Stream  time.Time
	Settled int64
}

// EpisodeChange is one step of one episode. Expected is the version that was loaded,
// 0 for a new episode; the stored version becomes Expected + 1.
type EpisodeChange struct {
	ID             string
	Unit           string
	Subject        string // id of the Patient resource; EpisodesOf finds by it
	Expected       int64
	Input          Input
	State          []byte // opaque to the store
	RulesVersion   int
	Protocol       string // canonical url|version
	ProtocolDigest string
	Due            time.Time // when to wake the episode; zero: never
}

// Input is one input as it was decoded, kept for replay. Seq counts from 1 within the
// episode and equals the version that it led to.
type Input struct {
	Seq    int64
	Kind   string
	Body   []byte
	At     time.Time
	Answer []byte
}

// Resource is one version of one FHIR resource. Version counts from 1 without a gap;
// committing version n+1 conflicts unless n is the current one. Only after a restore numbers
// are left out, which may have been told before: Skipped is how many right before this one,
// and reading does not give it back. Body is served as it is. Episode is "" for shared and
// unplaced resources.
type Resource struct {
	Type    string
	ID      string
	Version int64
	Skipped int64
	Updated time.Time
	Unit    string
	Episode string
	Body    []byte
	Index   []search.Value
}

// Follows is the version that must be the current one for this to be committed; 0 for a
// resource that is new.
func (r *Resource) Follows() int64 { return r.Version - r.Skipped - 1 }

// Identity is a business identifier that belongs to one resource for ever:
// (Type, System, Value) is unique. Claiming one that the same ID holds is no conflict.
type Identity struct {
	Type   string
	System string
	Value  string
	ID     string
}

// Outbox is one message to be sent. Rows of one episode are sent in the order in which
// they were committed (and within a changeset in slice order). MessageID is unique.
type Outbox struct {
	Episode   string // "" for messages that belong to none
	Partition int    // 0..Partitions-1
	Subject   string
	MessageID string
	Headers   map[string]string
	Body      []byte
}

// Quarantine keeps an input that we could not handle through a fault of our own.
type Quarantine struct {
	ID      string
	Episode string
	Kind    string
	Body    []byte
	Fault   string // what went wrong, without personal data
	At      time.Time
}

// Status is how a changeset ended.
type Status uint8

// The ends of a changeset. Only Committed changed anything. Where several would be
// true, the first in this order is given, Committed apart.
const (
	Committed Status = iota + 1
	Duplicate        // the inbox key is known with the same digest; Answer is the stored one
	Differs          // the inbox key is known with another digest
	Conflict         // an episode or resource version is not the expected one, or a message id is known: load again
	Taken            // an identity belongs to another resource, see Result.Taken
)

// Result is the end of one changeset, in the order of the Commit call.
type Result struct {
	Status Status
	Answer []byte     // of the first, for Duplicate
	Taken  []Identity // the claimed identities with the ID that holds each
}
