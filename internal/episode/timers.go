package episode

import (
	"context"
	"log/slog"
	"time"

	"go.opentelemetry.io/otel/propagation"
	"go.opentelemetry.io/otel/trace"
	"golang.org/x/sync/errgroup"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
	"fhirsvc/internal/tracing"
	"fhirsvc/internal/workflow"
)

// A due time is found within longestPoll; what a dead replica had in hand is late by dueLease
// beside. What takes longer than its lease may be taken up by another replica, too: the version
// of the episode lets one of them store it, and the other finds nothing due any more.
const (
	shortestPoll = 20 * time.Millisecond
	longestPoll  = 250 * time.Millisecond
	dueLease     = 2 * time.Second
	dueTimeout   = 30 * time.Second // of one episode, on a slow database
	claimLimit   = 5 * time.Second  // of a claim: its answer may never come
	dueBatch     = 32
	dueWorkers   = 8
)

// Timers tells episodes that their time has come. Many replicas may run them on one
// store: each due time is leased to one of them.
type Timers struct {
	// Lease is how long a due time is this replica's; what a dead one had in hand is
	// late by it. NewTimers sets 2 s.
	Lease time.Duration
	// Traces gets a span of each episode that is told; nil gets none.
	Traces trace.TracerProvider

	service *Service
	log     *slog.Logger
	shared  *SharedClock
}

// NewTimers returns the timers of a service. With a shared clock, which must be the
// service's own, the store says what is due, so that the clocks of replicas don't matter,
// and the clock is kept in step with the store's; without (nil) the service's clock says.
func NewTimers(s *Service, shared *SharedClock) *Timers {
	return &Timers{Lease: dueLease, service: s, log: s.Log, shared: shared}
}

// Run works until ctx ends, and then finishes what it has begun. It polls fast while
// there is something due and slower while there is not, and looks at once when this
// process has stored something that is due now or soon.
func (t *Timers) Run(ctx context.Context) {
	wait, timer := shortestPoll, time.NewTimer(0)
	defer timer.Stop()
	for ctx.Err() == nil {
		n, err := t.fire(ctx)
		switch {
		case err != nil && ctx.Err() == nil:
			t.log.Warn("due times not handled", "kind", outcome.KindOf(err), "error", err)
			wait = longestPoll
		case n == dueBatch:
			continue // there may be more
		case n > 0:
			wait = shortestPoll
		default:
			wait = min(2*wait, longestPoll)
		}
		timer.Reset(wait)
		select {
		case <-ctx.Done():
		case <-timer.C:
		case <-t.service.woken.c:
		}
	}
}

// NextDue gives the earliest instant at which something is due; ok is false if there
// is none.
func (t *Timers) NextDue(ctx context.Context) (at time.Time, ok bool, err error) {
	return t.service.Store.NextDue(ctx)
}

// FireDue does all that is due at the service's time, until nothing is.
func (t *Timers) FireDue(ctx context.Context) error {
	for {
		n, err := t.fire(ctx)
		if err != nil || n == 0 {
			return err
		}
	}
}

// fire claims what is due and does it. It gives how many episodes were claimed, and the
// first error. The lease of an episode that failed brings it back.
func (t *Timers) fire(ctx context.Context) (int, error) {
	due, err := t.claim(ctx)
	now := t.service.Now()
	if err != nil || len(due) == 0 {
		return 0, err
	}
	first := t.together(ctx, due)
	var g errgroup.Group
	g.SetLimit(dueWorkers)
	for _, d := range due {
		g.Go(func() error { return t.elapse(context.WithoutCancel(ctx), first, d, now) })
	}
	return len(due), g.Wait()
}

// together gives a service that has read all that is due at once. Where that fails, which one
// episode can bring about that can't be read, each is read by itself.
func (t *Timers) together(ctx context.Context, due []store.Due) *Service {
	if len(due) == 1 {
		return t.service
	}
	ctx, cancel := context.WithTimeout(ctx, min(t.Lease, claimLimit))
	defer cancel()
	var w store.Wanted
	for _, d := range due {
		w.Episodes = append(w.Episodes, d.Episode)
	}
	knowing, err := t.service.gather(ctx, w)
	if err != nil {
		return t.service
	}
	return knowing
}

// claim leases what is due. What never answers must not keep the timers from asking again.
func (t *Timers) claim(ctx context.Context) ([]store.Due, error) {
	ctx, cancel := context.WithTimeout(ctx, min(2*t.Lease, claimLimit))
	defer cancel()
	var at time.Time // the store's clock
	if t.shared != nil {
		if err := t.shared.Sync(ctx); err != nil {
			return nil, err
		}
	} else {
		at = t.service.Now()
	}
	return t.service.Store.ClaimDue(ctx, store.Claim{Now: at, Rules: workflow.RulesVersion, Limit: dueBatch, Lease: t.Lease})
}

func (t *Timers) elapse(ctx context.Context, first *Service, d store.Due, now time.Time) error {
	ctx, cancel := context.WithTimeout(ctx, dueTimeout)
	defer cancel()
	t.service.Watch.Due(now.Sub(d.At))
	if d.At.After(now) {
		now = d.At
	}
	ctx, end := tracing.Enter(ctx, t.Traces, trace.SpanKindInternal, "elapse", propagation.MapCarrier{})
	err := t.service.elapse(ctx, first, d.Episode, now)
	end(err)
	return err
}
