package rest

import (
	"context"
	"log/slog"
	"time"

	"go.opentelemetry.io/otel/trace"

	"fhirsvc/internal/episode"
	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/store"
)

// Reading gives the stored resource versions. Errors are *outcome.Error, not-found for
// what is not there.
type Reading interface {
	Read(ctx context.Context, resourceType, id string) (store.Resource, error)
	ReadVersion(ctx context.Context, resourceType, id string, version int64) (store.Resource, error)
	Past(ctx context.Context, p store.Past) (store.PastPage, error)
	Search(ctx context.Context, q search.Query) (store.Page, error)
}

// Charting makes changes: all entries or none, one result an entry, in order.
type Charting interface {
	Chart(ctx context.Context, by episode.Client, entries []episode.Entry) ([]episode.EntryResult, error)
}

// Messaging takes in events.
type Messaging interface {
	Message(ctx context.Context, m episode.Message) (episode.MessageAnswer, error)
}

// Planning computes what is shown and not stored. Errors are *outcome.Error, not-found for
// what is not there for these units.
type Planning interface {
	// Handover gives the page to hand a plan over, and the version of the plan.
	Handover(ctx context.Context, u episode.Units, plan, base string) ([]byte, store.Resource, error)
	// Timeline draws what happened to the band, and gives the version of the plan.
	Timeline(ctx context.Context, u episode.Units, plan string) (svg []byte, version store.Resource, err error)
	// Apply gives the plan that a protocol would give, and the patient it was asked for.
	Apply(ctx context.Context, u episode.Units, protocol store.Resource, parameters []byte) (draft []byte, patient string, err error)
}

// Subscribing says how Subscriptions stand and what they were to be told.
type Subscribing interface {
	SubscriptionStatus(ctx context.Context, r store.Resource) ([]byte, error)
	SubscriptionEvents(ctx context.Context, c episode.Client, r store.Resource, from, to int64, content fhir.Content) ([]byte, []store.Resource, error)
}

// Options are what the edge is built from. Reading, Charting, Messaging, Planning,
// Subscribing, Ready and Log must be set.
type Options struct {
	Reading     Reading
	Charting    Charting
	Messaging   Messaging
	Planning    Planning
	Subscribing Subscribing
	// Ready tells why the service can't take requests now; the error is nil when it can. The
	// remark, which may be empty, is told to whoever asks.
	Ready func(ctx context.Context) (remark string, err error)
	Log   *slog.Logger
	// Watch is told of each request; nil tells nobody. Traces gets their spans; nil none.
	Watch  Watching
	Traces trace.TracerProvider

	// BaseURL is where clients reach "/fhir" from outside, such as
	// "https://host/fhir". "" takes scheme and host from each request, which is wrong
	// behind a proxy that ends TLS.
	BaseURL string
	// Origins may call from a browser; none switches CORS off.
	Origins []string
	// Tokens says who calls, by their Bearer token. Nil asks nobody: every caller is
	// Client, of all units, and may do everything.
	Tokens Tokens
	Client episode.Client
	// Smart is what clients are told of the authorization server; nil tells nothing.
	Smart *Smart
	// ClientCertificates wants a verified certificate of whoever reaches for records.
	ClientCertificates bool
	// RequestsPerSecond bounds how often each client may ask; 0 does not.
	RequestsPerSecond int
	// Auditor keeps the audit trail; nil keeps none.
	Auditor Auditing
	// PagingKey seals the "next" links: any length, secret, the same on all replicas.
	// Empty makes one that lives as long as the process.
	PagingKey []byte
	// Clock says what is now, for searches that ask for what is about a date; default
	// time.Now.
	Clock func() time.Time
	// Timeout bounds a request; default 30 s.
	Timeout time.Duration

	// Version and Built stand in the CapabilityStatement; both change with the build.
	Version string
	Built   time.Time
}

const defaultTimeout = 30 * time.Second
