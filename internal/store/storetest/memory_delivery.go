package storetest

import (
	"cmp"
	"context"
	"maps"
	"slices"
	"time"

	"github.com/google/uuid"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
)

// destination is what waits for one external FHIR server, in memory.
type destination struct {
	queues   map[string]*deliveryQueue // by episode
	copies   map[pair]store.Copy
	attempts int
	paused   time.Time
	taken    time.Time
	numbers  int64
}

type deliveryQueue struct {
	store.DeliveryQueue
	waiting   []waitingChange
	due       time.Time // zero: not by itself
	token     string
	leased    time.Time
	failing   time.Time
	doubt     bool
	overwrite bool
}

type waitingChange struct {
	store.Delivery
	queued time.Time
}

// AddDestination makes a destination known.
func (m *Memory) AddDestination(_ context.Context, name string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.destinations[name] == nil {
		m.destinations[name] = &destination{queues: map[string]*deliveryQueue{}, copies: map[pair]store.Copy{}}
	}
	return nil
}

// EndDestination forgets a destination.
func (m *Memory) EndDestination(_ context.Context, name string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.destinations[name] == nil {
		return missing("end destination", "destination "+name)
	}
	delete(m.destinations, name)
	return nil
}

// Destinations gives the names, in order.
func (m *Memory) Destinations(context.Context) ([]string, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return slices.Sorted(maps.Keys(m.destinations)), nil
}

// queueDeliveries queues changes for each destination.
func (m *Memory) queueDeliveries(all []store.Delivery) {
	clock := time.Now()
	for name, to := range m.destinations {
		for _, d := range all {
			q := to.queues[d.Episode]
			if q == nil {
				to.numbers++
				q = &deliveryQueue{DeliveryQueue: store.DeliveryQueue{Destination: name, Number: to.numbers, Episode: d.Episode}}
				to.queues[d.Episode] = q
			}
			if q.due.IsZero() || !q.RefusedAt.IsZero() {
				q.due = clock
			}
			q.waiting = append(q.waiting, waitingChange{d, m.outbox[d.Seq-1].queued})
		}
	}
}

// ClaimDeliveries leases queues that have something to deliver.
func (m *Memory) ClaimDeliveries(_ context.Context, name string, limit int, lease time.Duration) ([]store.DeliveryClaim, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	to, clock := m.destinations[name], time.Now()
	if to == nil || to.paused.After(clock) {
		return nil, nil
	}
	var ready []*deliveryQueue
	for _, q := range to.queues {
		if !q.due.IsZero() && !q.due.After(clock) && !q.leased.After(clock) {
			ready = append(ready, q)
		}
	}
	slices.SortFunc(ready, func(a, b *deliveryQueue) int { return cmp.Or(a.due.Compare(b.due), cmp.Compare(a.Episode, b.Episode)) })
	if to.attempts > 0 {
		limit = min(limit, 1)
	}
	var taken []store.DeliveryClaim
	token := uuid.NewString()
	for _, q := range ready[:min(limit, len(ready))] {
		q.doubt = q.doubt || q.token != ""
		q.token, q.leased = token, clock.Add(lease)
		if to.attempts > 0 {
			to.paused = clock.Add(lease)
		}
		taken = append(taken, store.DeliveryClaim{
			Destination: name, Episode: q.Episode, Token: token, Attempts: q.Attempts, Away: to.attempts,
			Doubt: q.doubt, Overwrite: q.overwrite, Others: !q.failing.IsZero() && to.taken.After(q.failing),
		})
	}
	return taken, nil
}

// held gives the queue of a claim, nil when the claim was lost.
func (m *Memory) heldQueue(c store.DeliveryClaim) *deliveryQueue {
	if to := m.destinations[c.Destination]; to != nil {
		if q := to.queues[c.Episode]; q != nil && q.token == c.Token {
			return q
		}
	}
	return nil
}

// WaitingDeliveries gives the first changes of a claimed queue.
func (m *Memory) WaitingDeliveries(_ context.Context, c store.DeliveryClaim, limit int) ([]store.Delivery, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	q := m.heldQueue(c)
	if q == nil {
		return nil, nil
	}
	var all []store.Delivery
	for _, w := range q.waiting {
		w.Trace = m.traceOf(func(r outboxRow) bool { return r.Seq == w.Seq })
		all = append(all, w.Delivery)
	}
	open := slices.ContainsFunc(m.outbox[m.queues.matched:], func(r outboxRow) bool { return r.Episode == c.Episode })
	return store.WholeChanges(all, limit, open), nil
}

// Copies gives what is known of resources at a destination.
func (m *Memory) Copies(_ context.Context, name string, of []store.Copy) ([]store.Copy, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	var all []store.Copy
	for _, o := range of {
		if to := m.destinations[name]; to != nil {
			if c, ok := to.copies[pair{o.Type, o.ID}]; ok {
				all = append(all, c)
			}
		}
	}
	return all, nil
}

// SettleDelivery ends a claim.
func (m *Memory) SettleDelivery(_ context.Context, c store.DeliveryClaim, x store.DeliverySettlement) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	q := m.heldQueue(c)
	if q == nil {
		return outcome.Fail(outcome.CodeConflict, "settle delivery", "the claim of episode %s at %s was lost", c.Episode, c.Destination)
	}
	to, clock := m.destinations[c.Destination], time.Now()
	for _, k := range x.Copies {
		to.copies[pair{k.Type, k.ID}] = k
	}
	q.waiting = slices.DeleteFunc(q.waiting, func(w waitingChange) bool { return slices.Contains(x.Sent, w.Seq) })
	q.token, q.leased = "", time.Time{}
	switch {
	case x.Refused:
		q.due, q.Attempts, q.failing, q.doubt, q.overwrite = time.Time{}, 0, time.Time{}, false, false
		q.RefusedAt, q.Refusal = clock.UTC(), x.Why
	case x.Failed:
		q.due, q.doubt, q.RefusedAt, q.Refusal = clock.Add(x.Wait), q.doubt || x.Doubt, time.Time{}, x.Why
		q.Attempts++
		if q.failing.IsZero() {
			q.failing = clock
		}
	case len(q.waiting) == 0:
		delete(to.queues, c.Episode)
	default:
		q.due, q.Attempts, q.failing, q.doubt, q.RefusedAt = clock.Add(x.Wait), 0, time.Time{}, false, time.Time{}
		q.overwrite = q.overwrite && len(x.Sent) == 0
	}
	to.settle(x, clock)
	return nil
}

func (d *destination) settle(x store.DeliverySettlement, clock time.Time) {
	if x.Away {
		d.attempts++
		d.paused = clock.Add(x.Pause)
		return
	}
	d.paused = time.Time{}
	if x.Failed || x.Refused || len(x.Sent) > 0 { // it has answered
		d.attempts = 0
	}
	if !x.Failed && !x.Refused && len(x.Sent) > 0 {
		d.taken = clock
	}
}

// DeliveryQueues lists the queues in which something waits.
func (m *Memory) DeliveryQueues(context.Context) ([]store.DeliveryQueue, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	var all []store.DeliveryQueue
	for _, to := range m.destinations {
		for _, q := range to.queues {
			q.Waiting, q.Oldest = len(q.waiting), oldest(q.waiting)
			all = append(all, q.DeliveryQueue)
		}
	}
	slices.SortFunc(all, func(a, b store.DeliveryQueue) int {
		return cmp.Or(cmp.Compare(a.Destination, b.Destination), cmp.Compare(a.Number, b.Number))
	})
	return all, nil
}

func oldest(waiting []waitingChange) time.Time {
	var at time.Time
	for _, w := range waiting {
		if at.IsZero() || w.queued.Before(at) {
			at = w.queued
		}
	}
	return at.UTC()
}

func (m *Memory) numbered(op, name string, number int64) (*destination, *deliveryQueue, error) {
	if to := m.destinations[name]; to != nil {
		for _, q := range to.queues {
			if q.Number == number {
				return to, q, nil
			}
		}
	}
	return nil, nil, missing(op, "such queue")
}

// RetryDelivery has a queue tried again now.
func (m *Memory) RetryDelivery(_ context.Context, name string, number int64, overwrite bool) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	_, q, err := m.numbered("retry delivery", name, number)
	if err == nil {
		q.due, q.Attempts, q.overwrite = time.Now(), 0, overwrite
	}
	return err
}

// DropDelivery forgets what waits in a queue now.
func (m *Memory) DropDelivery(_ context.Context, name string, number int64) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	to, q, err := m.numbered("drop delivery", name, number)
	if err == nil {
		delete(to.queues, q.Episode)
	}
	return err
}

// Backlogs says what waits for JetStream and for each destination.
func (m *Memory) Backlogs(context.Context) ([]store.Backlog, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	stream := store.Backlog{Destination: store.JetStream, Refused: len(m.aside)}
	for _, row := range m.outbox {
		if row.sent {
			continue
		}
		if stream.Waiting++; stream.Oldest.IsZero() {
			stream.Oldest = row.queued.UTC()
		}
	}
	all := []store.Backlog{stream}
	for _, name := range slices.Sorted(maps.Keys(m.destinations)) {
		b := store.Backlog{Destination: name}
		for _, q := range m.destinations[name].queues {
			b.Waiting += len(q.waiting)
			if at := oldest(q.waiting); b.Oldest.IsZero() || at.Before(b.Oldest) {
				b.Oldest = at
			}
			if !q.RefusedAt.IsZero() {
				b.Refused++
			}
		}
		all = append(all, b)
	}
	return all, nil
}
