package delivery

import (
	"context"
	"log/slog"
	"sync"
	"time"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
)

// Deliveries is where the changes wait that external FHIR servers are to be told of.
type Deliveries interface {
	AddDestination(ctx context.Context, name string) error
	ClaimDeliveries(ctx context.Context, destination string, limit int, lease time.Duration) ([]store.DeliveryClaim, error)
	SettleDelivery(ctx context.Context, c store.DeliveryClaim, s store.DeliverySettlement) error
}

// Carrier takes what waits in a queue to its destination, once. How long a failure waits is
// said only as far as the destination asked for it.
type Carrier interface {
	Name() string
	Lease() time.Duration
	Carry(ctx context.Context, c store.DeliveryClaim) (store.DeliverySettlement, error)
}

const (
	// sideBySideOne is how many queues of a destination are under way at a time.
	sideBySideOne = 8
	// longestPause is the longest time before a destination that is away is asked again.
	longestPause = time.Minute
	// enoughTries is how often a queue is tried while its destination takes others'.
	enoughTries = 12
)

// Deliverer brings what waits for one destination there: of each queue one transaction at a
// time, each until it is taken or refused. Any number of them may work on one store.
type Deliverer struct {
	queues  Deliveries
	carrier Carrier
	log     *slog.Logger
	wake    chan struct{}

	mu      sync.Mutex
	busy    int // queues under way
	running sync.WaitGroup
}

// NewDeliverer returns a deliverer that does nothing until Run.
func NewDeliverer(queues Deliveries, carrier Carrier, log *slog.Logger) *Deliverer {
	return &Deliverer{queues: queues, carrier: carrier, log: log.With("destination", carrier.Name()), wake: make(chan struct{}, 1)}
}

// Wake tells the deliverer that something may wait. It never blocks.
func (d *Deliverer) Wake() { nudge(d.wake) }

// Run makes the destination known and delivers until ctx ends, and then waits for what is
// under way. What that doesn't finish is looked at again by whoever claims the queue next.
func (d *Deliverer) Run(ctx context.Context) {
	defer d.running.Wait()
	known := false
	round := func(ctx context.Context) (int, error) {
		if !known {
			if err := d.queues.AddDestination(ctx, d.carrier.Name()); err != nil {
				return 0, err
			}
			known = true
			d.log.Info("destination added")
		}
		return d.round(ctx)
	}
	poll(ctx, d.wake, lookEvery, round, func(attempt int, err error) {
		d.log.Warn("deliveries not claimed", "kind", outcome.KindOf(err), "attempt", attempt, "error", err)
	})
}

// round claims as many queues as there is room for and starts with them. Also when ctx ends
// meanwhile: a claim whose answer is lost keeps its queue waiting for its lease.
func (d *Deliverer) round(ctx context.Context) (int, error) {
	d.mu.Lock()
	room := sideBySideOne - d.busy
	d.mu.Unlock()
	if room == 0 {
		return 0, nil
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), claimTimeout)
	defer cancel()
	claims, err := d.queues.ClaimDeliveries(ctx, d.carrier.Name(), room, d.carrier.Lease())
	if err != nil {
		return 0, err
	}
	d.enter(len(claims))
	for _, c := range claims {
		d.running.Go(func() {
			defer d.Wake() // there may be more for it
			defer d.enter(-1)
			d.serve(context.WithoutCancel(ctx), c)
		})
	}
	return len(claims), nil
}

func (d *Deliverer) enter(by int) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.busy += by
}

// serve carries what waits in a claimed queue and settles it. When that can't be done, the
// lease ends by itself and the queue is looked at again.
func (d *Deliverer) serve(ctx context.Context, c store.DeliveryClaim) {
	ctx, cancel := context.WithTimeout(ctx, d.carrier.Lease())
	defer cancel()
	log := d.log.With("instance_id", c.Episode, "attempt", c.Attempts+1)
	s, err := d.carrier.Carry(ctx, c)
	if err != nil { // the store's: nothing is known to have been sent
		log.Warn("deliveries not read", "kind", outcome.KindOf(err), "error", err)
		s = store.DeliverySettlement{Failed: true, Doubt: true}
	}
	s = paced(c, s)
	switch {
	case s.Refused:
		log.Error("delivery refused; it waits for a person or for the next change", "kind", s.Why.Code, "reason", s.Why.Details)
	case s.Failed && err == nil:
		log.Warn("delivery not taken, and tried again", "kind", s.Why.Code, "reason", s.Why.Details)
	}
	if err := d.queues.SettleDelivery(ctx, c, s); err != nil && outcome.KindOf(err) != outcome.CodeConflict {
		log.Warn("delivery not settled", "kind", outcome.KindOf(err), "error", err)
	}
}

// paced says how long a failure waits: a second, doubled with each up to a quarter of an hour,
// a minute when it is the destination that is away. A queue that goes on failing while others
// are taken is refused: what it holds is at fault, whatever the destination answers.
func paced(c store.DeliveryClaim, s store.DeliverySettlement) store.DeliverySettlement {
	if !s.Failed {
		return s
	}
	if c.Others && c.Attempts+1 >= enoughTries {
		return store.DeliverySettlement{Refused: true, Why: s.Why}
	}
	longest := longestWait
	if s.Away {
		s.Pause = max(s.Pause, waitUpTo(longestPause, c.Away))
		if !c.Others {
			longest = longestPause
		}
	}
	s.Wait = max(s.Wait, waitUpTo(longest, c.Attempts))
	return s
}
