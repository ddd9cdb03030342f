package delivery

import (
	"context"
	"log/slog"
	"sync"
	"time"

	"go.opentelemetry.io/otel/trace"

	"fhirsvc/internal/delivery/hook"
	"fhirsvc/internal/episode"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
	"fhirsvc/internal/tracing"
)

// Queues is where the Subscriptions' events wait.
type Queues interface {
	ClaimSubscriptions(ctx context.Context, now time.Time, fast, slow int) ([]store.SubscriptionClaim, error)
	SettleSubscription(ctx context.Context, now time.Time, c store.SubscriptionClaim, s store.Settlement) error
	ForgetEvents(ctx context.Context, before time.Time) (int, error)
}

// Telling says what is to be sent for a Subscription, and learns what became of it.
type Telling interface {
	NextCall(ctx context.Context, c store.SubscriptionClaim) (*episode.Call, int64, error)
	CallTaken(ctx context.Context, c *episode.Call) error
	CallFailed(ctx context.Context, c *episode.Call, why string) error
}

// Sender makes calls.
type Sender interface {
	Send(ctx context.Context, call *episode.Call) hook.Result
}

// Watching is told of each call of an endpoint: taken or not-taken.
type Watching interface {
	Notified(outcome string)
}

// NotifierOptions are the settings of a Notifier; Watch, Traces, GiveUp and Now may be left out.
type NotifierOptions struct {
	Queues  Queues
	Telling Telling
	Sender  Sender
	Log     *slog.Logger
	Watch   Watching             // nil tells nobody
	Traces  trace.TracerProvider // nil records no spans
	GiveUp  time.Duration        // how long an endpoint may fail before it is given up, 72 h
	Now     func() time.Time     // nil: the store's own clock
}

const (
	// fastLane and slowLane are how many endpoints are called at a time: those that answer
	// fast, and those that were slow or failed the last time. The slow can use up their
	// own lane alone.
	fastLane = 16
	slowLane = 16
	// slowCall is what is slow.
	slowCall = time.Second

	firstWait   = time.Second // after the first failure; doubled with each
	longestWait = 15 * time.Minute
	giveUp      = 72 * time.Hour

	keepEvents  = 30 * 24 * time.Hour // that can be asked for again
	forgetEvery = time.Hour
	lookEvery   = time.Second

	claimTimeout = 5 * time.Second
)

// Notifier tells the endpoints of Subscriptions what is queued for them: of each queue one
// call at a time and in order, each until it is taken. Any number of them may work on one
// store.
type Notifier struct {
	o    NotifierOptions
	wake chan struct{}

	mu         sync.Mutex
	fast, slow int // calls under way
	running    sync.WaitGroup
}

// NewNotifier returns a notifier that does nothing until Run.
func NewNotifier(o NotifierOptions) *Notifier {
	if o.GiveUp <= 0 {
		o.GiveUp = giveUp
	}
	if o.Now == nil {
		o.Now = func() time.Time { return time.Time{} }
	}
	return &Notifier{o: o, wake: make(chan struct{}, 1)}
}

// Wake tells the notifier that something may be queued. It never blocks.
func (n *Notifier) Wake() { nudge(n.wake) }

// Run calls endpoints until ctx ends, and then waits for the calls that are under way.
// What they don't finish is sent again by whoever claims the queue next.
func (n *Notifier) Run(ctx context.Context) {
	defer n.running.Wait()
	var forgotten time.Time
	round := func(ctx context.Context) (int, error) {
		if time.Since(forgotten) > forgetEvery {
			forgotten = time.Now()
			n.forget(ctx)
		}
		return n.round(ctx)
	}
	poll(ctx, n.wake, lookEvery, round, func(attempt int, err error) {
		n.o.Log.Warn("subscriptions not claimed", "kind", outcome.KindOf(err), "attempt", attempt, "error", err)
	})
}

func (n *Notifier) forget(ctx context.Context) {
	if _, err := n.o.Queues.ForgetEvents(ctx, time.Now().Add(-keepEvents)); err != nil {
		n.o.Log.Warn("old events not removed", "kind", outcome.KindOf(err), "error", err)
	}
}

// round claims as many queues as there is room for and starts their calls. Also when ctx
// ends meanwhile: a claim whose answer is lost keeps its queue waiting for its lease.
func (n *Notifier) round(ctx context.Context) (int, error) {
	n.mu.Lock()
	fast, slow := fastLane-n.fast, slowLane-n.slow
	n.mu.Unlock()
	if fast+slow == 0 {
		return 0, nil
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), claimTimeout)
	defer cancel()
	claims, err := n.o.Queues.ClaimSubscriptions(ctx, n.o.Now(), fast, slow)
	if err != nil {
		return 0, err
	}
	for _, c := range claims {
		lane := &n.fast
		if c.Slow {
			lane = &n.slow
		}
		n.enter(lane, 1)
		n.running.Go(func() {
			defer n.Wake() // there may be more for it
			defer n.enter(lane, -1)
			n.serve(context.WithoutCancel(ctx), c)
		})
	}
	return len(claims), nil
}

func (n *Notifier) enter(lane *int, by int) {
	n.mu.Lock()
	defer n.mu.Unlock()
	*lane += by
}

// serve makes the next call of a claimed queue and settles it. When that can't be done,
// the lease ends by itself and the call is made again.
func (n *Notifier) serve(ctx context.Context, c store.SubscriptionClaim) {
	ctx, cancel := context.WithTimeout(ctx, c.Lease)
	defer cancel()
	settlement, err := n.try(ctx, c)
	if err == nil {
		err = n.o.Queues.SettleSubscription(ctx, n.o.Now(), c, settlement)
	}
	if err != nil && outcome.KindOf(err) != outcome.CodeConflict {
		n.o.Log.Warn("subscription not settled", "resource_id", c.ID, "kind", outcome.KindOf(err), "error", err)
	}
}

func (n *Notifier) try(ctx context.Context, c store.SubscriptionClaim) (store.Settlement, error) {
	call, upto, err := n.o.Telling.NextCall(ctx, c)
	if err != nil || call == nil {
		return store.Settlement{Sent: upto, Slow: c.Slow}, err
	}
	// Below the commit that made the first change of which it tells.
	of, end := tracing.Follow(ctx, n.o.Traces, "notify", call.Trace)
	r := n.o.Sender.Send(of, call)
	end(faultOf(r))
	slow := r.Took > slowCall
	n.told(r)
	if r.Taken {
		return store.Settlement{Sent: call.Upto, Slow: slow}, n.o.Telling.CallTaken(ctx, call)
	}
	log := n.o.Log.With("resource_id", c.ID, "attempt", c.Attempts+1, "reason", r.Why, "duration_ms", r.Took.Milliseconds())
	if call.Once || r.Final || c.Failing >= n.o.GiveUp {
		log.Error("subscription given up until its owner asks for it again")
		return store.Settlement{Slow: true}, n.o.Telling.CallFailed(ctx, call, r.Why)
	}
	log.Warn("notification not taken, and tried again")
	return store.Settlement{Failed: true, Wait: max(waitAfter(c.Attempts), r.After), Slow: true}, nil
}

// faultOf is the error of a call's span; nil when it was taken.
func faultOf(r hook.Result) error {
	if r.Taken {
		return nil
	}
	return outcome.Fail(outcome.CodeTransient, "notify", "not taken")
}

func (n *Notifier) told(r hook.Result) {
	if n.o.Watch == nil {
		return
	}
	outcome := "taken"
	if !r.Taken {
		outcome = "not-taken"
	}
	n.o.Watch.Notified(outcome)
}

// waitAfter is the time before the next try, with jitter, after so many that failed before
// this one.
func waitAfter(attempts int) time.Duration { return waitUpTo(longestWait, attempts) }

func waitUpTo(longest time.Duration, attempts int) time.Duration {
	return jitter(min(longest, firstWait<<min(attempts, 16)))
}
