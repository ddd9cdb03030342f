package episode

import (
	"context"
	"fmt"
	"log/slog"
	"time"

	"github.com/google/uuid"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/store"
	"fhirsvc/internal/workflow"
)

// Validator says what is wrong with an R4 resource. It is safe for concurrent use.
type Validator interface {
	Resource(body []byte) []outcome.Issue
	// Lend is Resource, and lets use read the resource, valid or not, which it must not keep.
	Lend(body []byte, use func(resource *tree.Node)) []outcome.Issue
}

// Options are what the service is made of. Store, the validators, Clock and Log are needed.
type Options struct {
	Store store.Store
	// Incoming judges what is sent, Outgoing what the service itself writes.
	Incoming, Outgoing Validator
	Clock              Clock
	Log                *slog.Logger
	// Watch is told what changes; nil tells nobody.
	Watch Watching
	// Release has the protocols, and what is published; nil brings nothing along.
	Release *Release
	// Endpoint is this service's own URL, for response messages.
	Endpoint string
	// Software is the version of this service, for Provenance.
	Software string
	// Terminology says which standard codings are written.
	Terminology fhir.Terminology
	// ResourceInChanges puts the resource into change events.
	ResourceInChanges bool
	// Auditor keeps the audit trail; nil keeps none.
	Auditor *Auditor
	// Endpoints are those that Subscriptions may be told at; nil refuses all.
	Endpoints Endpoints
	// Zone is that of instants in narratives; nil is UTC.
	Zone *time.Location
}

// Service is the one path in. It is safe for concurrent use; all its state is in the
// store, and some of it is kept decoded.
type Service struct {
	Options
	ids       ids
	protocols *protocols
	woken     *signal
	published int64 // numbers of versions up to this one may have been told before a restore

	subscriptions *subscriptions
	recent        recent

	step   func(workflow.Episode, workflow.Input) (workflow.Episode, []workflow.Effect, error)
	render renderer
}

// New returns a service on a store. It fixes the namespace of ids and the protocols in
// the store, and refuses every protocol that has other bytes there, naming each.
func New(ctx context.Context, o Options) (*Service, error) {
	namespace, err := o.Store.Fix(ctx, "namespace", uuid.NewString())
	if err != nil {
		return nil, fmt.Errorf("fix namespace of ids: %w", err)
	}
	ns, err := uuid.Parse(namespace)
	if err != nil {
		return nil, fmt.Errorf("namespace of ids: %w", err)
	}
	if o.Watch == nil {
		o.Watch = unwatched{}
	}
	if o.Release == nil {
		o.Release = &Release{}
	}
	told, err := o.Store.ToldVersions(ctx)
	if err != nil {
		return nil, err
	}
	p, err := fixProtocols(ctx, o.Store, o.Release.protocols)
	if err != nil {
		return nil, err
	}
	s := &Service{
		Options: o, ids: ids{ns}, protocols: p, published: told, woken: newSignal(), subscriptions: &subscriptions{}, recent: newRecent(),
		step: workflow.Step, render: renderEffect,
	}
	return s, s.publish(ctx, o.Release.published)
}

// Now gives the time that computes, UTC in microseconds.
func (s *Service) Now() time.Time { return s.Clock().UTC().Truncate(time.Microsecond) }
