package store

import (
	"context"
	"time"

	"fhirsvc/internal/fhir/search"
)

// Store is what both implementations offer. All errors are *outcome.Error: not-found
// for what is not there, no-store when the database is away or the outcome of a commit
// is not known (ask the inbox), lock-error or transient for what may pass on a retry.
// All times are UTC with microsecond precision.
type Store interface {
	Episodes
	Resources
	Timers
	Relay
	Subscriptions
	Deliveries
	Installation
	Recovery
	Retention

	// Commit applies each changeset whole or not at all, all in one database
	// transaction; one result a changeset, in order. An expected conflict is a Status,
	// never an error; an error means that none was applied as far as is known.
	Commit(ctx context.Context, changes []Changeset) ([]Result, error)
	// Gather gives what is stored of what an input is about, without Index, in one round trip
	// where there is one to make.
	Gather(ctx context.Context, w Wanted) (Gathered, error)
	// Answer gives the inbox entry of an input that was accepted; ok is false if none.
	Answer(ctx context.Context, source, id string) (entry Inbox, ok bool, err error)
	// Ping reports whether the store can be written to now.
	Ping(ctx context.Context) error
	// Close releases everything; the store can't be used afterwards.
	Close()
}

// Episode is the stored state of an episode.
type Episode struct {
	ID             string
	Unit           string
	Subject        string
	Version        int64
	State          []byte
	RulesVersion   int
	Protocol       string
	ProtocolDigest string
	Due            time.Time
}

// Episodes reads episodes.
type Episodes interface {
	// Load gives an episode; not-found if there is none, deleted if it was purged.
	Load(ctx context.Context, id string) (Episode, error)
	// EpisodesOf gives the ids of a Patient's episodes, oldest first; empty if none.
	EpisodesOf(ctx context.Context, subject string) ([]string, error)
	// Inputs gives all inputs of an episode in order of Seq, for replay.
	Inputs(ctx context.Context, id string) ([]Input, error)
}

// Page is one page of a search. Next is nil on the last one, Previous on the first; an empty
// page has neither. Total counts all matches of the query, not of the page; it is -1 for a
// query that does not want it.
type Page struct {
	Matches  []Resource // without Index
	Total    int
	Next     *search.Cursor // for Query.After
	Previous *search.Cursor // for Query.Before
}

// Past asks for versions of all resources of a Type, by the instant at which they were
// written, or with ID of one, by their number: the newest first, none written before Since
// unless that is zero. Count is the page size, at least 1. The page is the first one or what
// comes right After a place. Units, when not nil, limits the resources to these units and, as
// Shared says, to some of what belongs to no unit; and their versions to those of the unit
// that the resource has now, and of these units.
type Past struct {
	Type  string
	ID    string
	Since time.Time
	Count int
	After *Place
	Units []string
	search.Shared
}

// Place is a place among versions: beside this one.
type Place struct {
	Updated time.Time
	ID      string
	Version int64
}

// PastPage is one page of versions. Next is nil on the last one.
type PastPage struct {
	Versions []Resource // without Index
	Next     *Place
}

// Resources reads resource versions. The Resource values come without Index.
type Resources interface {
	// Read gives the current version; not-found if there is none.
	Read(ctx context.Context, resourceType, id string) (Resource, error)
	// ReadVersion gives one version; not-found if there is none.
	ReadVersion(ctx context.Context, resourceType, id string, version int64) (Resource, error)
	// History gives all versions, newest first; not-found if there is none.
	History(ctx context.Context, resourceType, id string) ([]Resource, error)
	// Past gives versions, newest first; empty if there is none.
	Past(ctx context.Context, p Past) (PastPage, error)
	// Search answers a query on the current versions.
	Search(ctx context.Context, q search.Query) (Page, error)
	// Identity gives the id of the resource that holds a business identifier.
	Identity(ctx context.Context, resourceType, system, value string) (id string, ok bool, err error)
	// Tagged reports whether anything has a tag that is about a Patient (id), or about one that
	// links between Patients join with it, whatever they say and over any number of them.
	Tagged(ctx context.Context, patient string, t Tag) (bool, error)
}

// Tag is one of meta.tag, on resources of these types. Who they are about is their subject.
type Tag struct {
	Types        []string
	System, Code string
}

// Due is an episode whose time has come.
type Due struct {
	Episode string
	At      time.Time
}

// Claim says which due times a replica takes.
type Claim struct {
	Now   time.Time     // what is due by then; zero means the database's own clock
	Rules int           // the newest rules that this replica knows: what newer ones have computed waits for another
	Limit int           // at most so many
	Lease time.Duration // for so long (real time), and then another takes over
}

// Timers claims due times.
type Timers interface {
	// ClaimDue leases episodes that are due and not leased, earliest first. A lease ends
	// with the episode's next committed change, or by itself.
	ClaimDue(ctx context.Context, c Claim) ([]Due, error)
	// NextDue gives the earliest due time, leased or not; ok is false if there is none.
	NextDue(ctx context.Context) (at time.Time, ok bool, err error)
	// Now gives the clock that a zero now means.
	Now(ctx context.Context) (time.Time, error)
}

// Lease is the right to send the rows of a partition until it ends. Fence grows with
// every lease of the partition, so that a late holder can't mark what it lost.
type Lease struct {
	Partition int
	Fence     int64
}

// OutboxRow is an outbox message with its place in the order.
type OutboxRow struct {
	Seq int64
	Outbox
}

// Relay is the sender's side of the outbox. Rows stay after they are marked sent, so
// that a lost stream can be filled again.
type Relay interface {
	// LeaseOutbox takes up to limit partitions that have unsent rows and no living lease.
	LeaseOutbox(ctx context.Context, holder string, limit int, lease time.Duration) ([]Lease, error)
	// Unsent gives the first unsent rows of leased partitions, at most limit of each: one
	// partition after the other, each in order. Where the lease was lost there are none.
	Unsent(ctx context.Context, held []Lease, limit int) ([]OutboxRow, error)
	// MarkSent marks rows of leased partitions as sent, but none of a lease that was lost,
	// of which it tells (conflict).
	MarkSent(ctx context.Context, held []Lease, seqs []int64) error
	// ReleaseOutbox gives leases back early. Those that were lost need no release.
	ReleaseOutbox(ctx context.Context, held []Lease) error
	// SetAside takes a row that its reader will never accept as it is out of the way of those
	// behind it, until it is retried or dropped; conflict when the lease was lost.
	SetAside(ctx context.Context, l Lease, seq int64, why Refusal) error
	// Aside lists the rows that were set aside, in order.
	Aside(ctx context.Context) ([]AsideRow, error)
	// RetryAside makes a row that was set aside unsent again, DropAside leaves it unsent for
	// ever; not-found if none of that number was set aside.
	RetryAside(ctx context.Context, seq int64) error
	DropAside(ctx context.Context, seq int64) error
	// Unsettled counts the rows not yet sent; those that were set aside are not among them.
	Unsettled(ctx context.Context) (int, error)
}

// AsideRow is an outbox message that was set aside, without its body.
type AsideRow struct {
	Seq       int64
	Episode   string
	Subject   string
	MessageID string
	Size      int       // of the body, in bytes
	Queued    time.Time // when it was committed
	At        time.Time // when it was set aside
	Refusal   Refusal
}

// Installation keeps what is fixed once for the whole installation.
type Installation interface {
	// Fix stores a setting on the first call and returns the stored value ever after,
	// whatever the later calls say.
	Fix(ctx context.Context, name, value string) (string, error)
	// FixProtocol stores the bytes of a protocol version (canonical url|version) once.
	// Other bytes under the same version are refused (duplicate).
	FixProtocol(ctx context.Context, canonical string, body []byte) error
	// Protocol gives the stored bytes of a protocol version; not-found if there is none.
	Protocol(ctx context.Context, canonical string) ([]byte, error)
	// Quarantined lists the inputs kept in quarantine, oldest first.
	Quarantined(ctx context.Context) ([]Quarantine, error)
}
