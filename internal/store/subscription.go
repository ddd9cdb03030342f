package store

import (
	"context"
	"time"
)

// Subscription is the queue of one Subscription resource: who is told, how many events
// there were, and up to which of them its endpoint has taken. What it asks for and where
// it is told stands in the resource. The numbers of its events count from 1.
type Subscription struct {
	ID      string
	Version int64  // of the resource
	Status  string // http://hl7.org/fhir/ValueSet/subscription-status, as in the resource
	Owner   string // the client it belongs to
	// Units are those whose changes the owner may be told of; All stands for every one.
	Units     []string
	All       bool
	Heartbeat time.Duration // the longest silence; 0: may be silent for ever
	Lease     time.Duration // how long one try may take, all in all
	End       time.Time     // when it is turned off; zero: never

	Events int64 // the number of its last event
	Sent   int64 // the number of the last event that was taken
}

// SubscriptionEvent is a change that a Subscription is to be told of: this version of
// this resource.
type SubscriptionEvent struct {
	Subscription string
	Number       int64 // given by the store
	Type         string
	ID           string
	Version      int64
	At           time.Time // of the change
	Trace        string    // traceparent of the change in the outbox; "" if it has none
}

// SubscriptionClaim is the right to send for a Subscription until its lease ends. Fence
// grows with every claim, so that a late holder can't settle what it lost.
type SubscriptionClaim struct {
	Subscription
	Fence    int64
	Slow     bool          // it was slow the last time
	Attempts int           // tries that failed since the last one that did not
	Failing  time.Duration // for how long they have been failing; 0 before the first
	Ended    bool          // End has passed
}

// Settlement is how a try ended.
type Settlement struct {
	Sent   int64         // what was taken up to this number; what is lower than before is ignored
	Failed bool          // nothing was taken, and it is tried again after Wait
	Wait   time.Duration // of a failed one
	Slow   bool          // it took long: let others go first
}

// Matched is who is to be told of some changes. The events are in order for each
// Subscription, their numbers are not looked at; the deliveries are in the order of the
// changes, for every destination.
type Matched struct {
	Events     []SubscriptionEvent
	Deliveries []Delivery
}

// Matcher says who is to be told of some changes, which come in order.
type Matcher func(ctx context.Context, changes []OutboxRow, live []Subscription) (Matched, error)

// Subscriptions keeps the queues. A Subscription is live while its status is requested,
// active or error: its events are counted. What was committed before the first
// that is live, with no destination beside it, is told to none; one that joins others may be told of
// what was not matched yet. A zero now means the store's own clock.
type Subscriptions interface {
	// MatchOutbox hands unmatched changes of one partition, at most limit and in order, to
	// match together with all live Subscriptions, and queues the events and deliveries that
	// it gives. It is one transaction: a change is matched once, by one replica, whatever
	// fails. It gives the number of changes; 0 when there was nothing to do. Without a live
	// Subscription and a destination match is not called.
	MatchOutbox(ctx context.Context, limit int, match Matcher) (int, error)
	// ClaimSubscriptions leases Subscriptions for which there is something to do: to be
	// taken up, told of events, told a heartbeat, or turned off. It takes at most fast of
	// those that have answered fast and slow of the others, the longest waiting first.
	ClaimSubscriptions(ctx context.Context, now time.Time, fast, slow int) ([]SubscriptionClaim, error)
	// SettleSubscription ends a claim; conflict when it was lost.
	SettleSubscription(ctx context.Context, now time.Time, c SubscriptionClaim, s Settlement) error
	// Subscription gives a queue; not-found if there is none.
	Subscription(ctx context.Context, id string) (Subscription, error)
	// SubscriptionEvents gives the events from one number to another, both included, in
	// order, at most limit. Numbers that are gone are left out.
	SubscriptionEvents(ctx context.Context, id string, from, to int64, limit int) ([]SubscriptionEvent, error)
	// ForgetEvents removes events that were queued before an instant, by the store's own
	// clock, and gives their number.
	ForgetEvents(ctx context.Context, before time.Time) (int, error)
}
