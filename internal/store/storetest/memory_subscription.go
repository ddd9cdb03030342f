package storetest

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"sync"
	"time"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
)

// queues are the Subscriptions' queues in memory.
type queues struct {
	matching sync.Mutex // one matcher at a time
	matched  int        // so many outbox rows, in their order
	all      map[string]*queueRow
}

type queueRow struct {
	store.Subscription
	events   []queuedEvent
	due      time.Time
	leased   time.Time
	failing  time.Time
	fence    int64
	attempts int
	slow     bool
}

type queuedEvent struct {
	store.SubscriptionEvent
	queued time.Time
}

// sends reports whether the status is one in which its endpoint is called.
func (q *queueRow) sends() bool { return q.Status == "requested" || q.Status == "active" }

// setQueue sets what a new version of a Subscription says. What nobody has heard is told to nobody.
func (m *Memory) setQueue(s store.Subscription) {
	if len(m.live())+len(m.destinations) == 0 {
		m.queues.matched = len(m.outbox)
	}
	if m.queues.all == nil {
		m.queues.all = map[string]*queueRow{}
	}
	q := m.queues.all[s.ID]
	if q == nil {
		q = &queueRow{}
		m.queues.all[s.ID] = q
	}
	s.Events, s.Sent = q.Events, q.Sent
	q.Subscription, q.attempts, q.failing, q.due = s, 0, time.Time{}, time.Time{}
	if q.sends() {
		q.due = time.Now()
	}
}

// MatchOutbox hands unmatched changes to match and queues what it gives.
func (m *Memory) MatchOutbox(ctx context.Context, limit int, match store.Matcher) (int, error) {
	m.queues.matching.Lock()
	defer m.queues.matching.Unlock()
	changes, live, readers := m.unmatched(limit)
	var matched store.Matched
	if len(changes) > 0 && readers > 0 {
		var err error
		if matched, err = match(ctx, changes, live); err != nil {
			return 0, err
		}
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	if len(changes) > 0 {
		m.queues.matched = max(m.queues.matched, int(changes[len(changes)-1].Seq))
	}
	m.queueDeliveries(matched.Deliveries)
	for _, e := range matched.Events {
		q := m.queues.all[e.Subscription]
		if q.Status == "off" {
			continue
		}
		q.Events++
		e.Number = q.Events
		q.events = append(q.events, queuedEvent{e, time.Now()})
		if q.sends() && q.attempts == 0 {
			q.due = time.Now()
		}
	}
	return len(changes), nil
}

func (m *Memory) unmatched(limit int) (changes []store.OutboxRow, live []store.Subscription, readers int) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, row := range m.outbox[m.queues.matched:min(m.queues.matched+limit, len(m.outbox))] {
		changes = append(changes, row.OutboxRow)
	}
	live = m.live()
	return changes, live, len(live) + len(m.destinations)
}

// live gives the live Subscriptions in order.
func (m *Memory) live() (live []store.Subscription) {
	for _, q := range m.queues.all {
		if q.Status != "off" {
			live = append(live, q.Subscription)
		}
	}
	slices.SortFunc(live, func(a, b store.Subscription) int { return cmp.Compare(a.ID, b.ID) })
	return live
}

// ClaimSubscriptions leases Subscriptions for which there is something to do.
func (m *Memory) ClaimSubscriptions(_ context.Context, now time.Time, fast, slow int) ([]store.SubscriptionClaim, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if now.IsZero() {
		now = time.Now()
	}
	var all []store.SubscriptionClaim
	for _, lane := range []struct {
		slow  bool
		limit int
	}{{false, fast}, {true, slow}} {
		var ready []*queueRow
		for _, q := range m.queues.all {
			due := !q.due.IsZero() && !q.due.After(now) || q.ended(now)
			if q.Status != "off" && due && !q.leased.After(now) && q.slow == lane.slow {
				ready = append(ready, q)
			}
		}
		slices.SortFunc(ready, func(a, b *queueRow) int { return cmp.Or(a.due.Compare(b.due), cmp.Compare(a.ID, b.ID)) })
		for _, q := range ready[:min(lane.limit, len(ready))] {
			q.fence++
			q.leased = now.Add(q.Lease)
			c := store.SubscriptionClaim{Subscription: q.Subscription, Fence: q.fence, Slow: q.slow, Attempts: q.attempts, Ended: q.ended(now)}
			if !q.failing.IsZero() {
				c.Failing = now.Sub(q.failing)
			}
			all = append(all, c)
		}
	}
	return all, nil
}

func (q *queueRow) ended(now time.Time) bool { return !q.End.IsZero() && !q.End.After(now) }

// SettleSubscription ends a claim.
func (m *Memory) SettleSubscription(_ context.Context, now time.Time, c store.SubscriptionClaim, x store.Settlement) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if now.IsZero() {
		now = time.Now()
	}
	q := m.queues.all[c.ID]
	if q == nil || q.fence != c.Fence {
		return outcome.Fail(outcome.CodeConflict, "settle subscription", "the claim of Subscription %s was lost", c.ID)
	}
	q.leased, q.slow, q.due = time.Time{}, x.Slow, time.Time{}
	if x.Failed {
		q.attempts++
		if q.failing.IsZero() {
			q.failing = now
		}
		if q.sends() {
			q.due = now.Add(x.Wait)
		}
		return nil
	}
	q.attempts, q.failing, q.Sent = 0, time.Time{}, max(q.Sent, x.Sent)
	switch {
	case q.Status == "requested", q.Status == "active" && q.Events > q.Sent:
		q.due = now
	case q.Status == "active" && q.Heartbeat > 0:
		q.due = now.Add(q.Heartbeat)
	}
	return nil
}

// Subscription gives a queue.
func (m *Memory) Subscription(_ context.Context, id string) (store.Subscription, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if q := m.queues.all[id]; q != nil {
		return q.Subscription, nil
	}
	return store.Subscription{}, missing("subscription", "Subscription/"+id)
}

// SubscriptionEvents gives the events from one number to another.
func (m *Memory) SubscriptionEvents(_ context.Context, id string, from, to int64, limit int) ([]store.SubscriptionEvent, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	var events []store.SubscriptionEvent
	if q := m.queues.all[id]; q != nil {
		for _, e := range q.events {
			if e.Number >= from && e.Number <= to && len(events) < limit {
				e.Trace = m.traceOf(func(r outboxRow) bool { return r.MessageID == fmt.Sprintf("%s/%s/%d", e.Type, e.ID, e.Version) })
				events = append(events, e.SubscriptionEvent)
			}
		}
	}
	return events, nil
}

// traceOf gives the traceparent of a change in the outbox.
func (m *Memory) traceOf(is func(outboxRow) bool) string {
	if i := slices.IndexFunc(m.outbox, is); i >= 0 && !m.outbox[i].gone {
		return m.outbox[i].Headers["traceparent"]
	}
	return ""
}

// ForgetEvents removes events that were queued before an instant.
func (m *Memory) ForgetEvents(_ context.Context, before time.Time) (int, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	n := 0
	for _, q := range m.queues.all {
		had := len(q.events)
		q.events = slices.DeleteFunc(q.events, func(e queuedEvent) bool { return e.queued.Before(before) })
		n += had - len(q.events)
	}
	return n, nil
}
