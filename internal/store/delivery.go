package store

import (
	"context"
	"time"
)

// Delivery is a change that each destination is to be told of: this version of this
// resource, made by this input of an episode. A destination is an external FHIR server, by
// the name that the site gives it.
type Delivery struct {
	Seq     int64 // its place in the outbox
	Episode string
	Change  int64 // Seq of the input that made it
	Type    string
	ID      string
	Version int64
	Trace   string // traceparent of the change in the outbox; "" if it has none
}

// DeliveryClaim is the right to deliver what waits for an episode at a destination, until its
// lease ends. Token tells it from every other one, so that a late holder can't settle what
// it lost.
type DeliveryClaim struct {
	Destination string
	Episode     string
	Token       string
	Attempts    int  // tries that failed since the last one that did not
	Away        int  // tries of all queues to which the destination gave no answer of its own since the last one
	Doubt       bool // what was sent the last time may have been taken, or nobody knows how that ended
	Overwrite   bool // a person has said that ours replaces what others wrote
	Others      bool // the destination has taken others' since this began to fail
}

// Copy is what is known of a resource's copy at a destination: which version it shows, what
// the destination calls it, and the destination's own version of it (for If-Match). Foreign
// ones were there before and belong to others: they are referred to and never written.
type Copy struct {
	Type          string
	ID            string
	Version       int64
	RemoteID      string // "" when the destination does not tell
	RemoteVersion string // "" when the destination does not tell
	Foreign       bool
}

// Refusal says why a reader has not taken something.
type Refusal struct {
	Code        string // http://hl7.org/fhir/issue-type
	Status      int    // of HTTP; 0 when it was never sent
	Details     string // fixed words of this service
	Diagnostics string // the destination's own words: they may be personal
}

// DeliverySettlement is how a try ended. Without Failed and Refused all that is Sent was
// taken, or needs no sending, and the rest is looked at after Wait.
type DeliverySettlement struct {
	Sent    []int64 // Seq of each
	Copies  []Copy
	Failed  bool // it is tried again after Wait
	Wait    time.Duration
	Away    bool // the destination takes nothing of anybody: all wait for Pause
	Pause   time.Duration
	Doubt   bool // it may have been taken
	Refused bool // it waits for a person, or for the episode's next change
	Why     Refusal
}

// DeliveryQueue is what waits for an episode at a destination, as it is listed.
type DeliveryQueue struct {
	Destination string
	Number      int64 // names the queue within its destination, as long as something waits
	Episode     string
	Waiting     int
	Oldest      time.Time
	Attempts    int
	RefusedAt   time.Time // zero: it is tried
	Refusal     Refusal   // why it was not taken the last time
}

// Backlog says what waits for a reader: the destination's name, or JetStream for the
// change stream.
type Backlog struct {
	Destination string
	Waiting     int       // changes, or messages
	Oldest      time.Time // when the first of them was committed; zero if none waits
	Refused     int       // queues, or messages, that wait for a person
}

// JetStream names the change stream among the destinations.
const JetStream = "jetstream"

// Deliveries keeps the queues of the destinations: one a destination and episode, filled
// with the changes in order by MatchOutbox. All clocks are the store's own.
type Deliveries interface {
	// AddDestination makes a destination known: from now on changes are queued for it. It
	// changes nothing when it is known already.
	AddDestination(ctx context.Context, name string) error
	// EndDestination forgets a destination with all that waits for it and all that is known
	// of its copies; not-found if there is none.
	EndDestination(ctx context.Context, name string) error
	// Destinations gives the names, in order.
	Destinations(ctx context.Context) ([]string, error)
	// ClaimDeliveries leases queues of a destination that have something to deliver, at
	// most limit, the longest waiting first. While the destination is away it gives none
	// before its pause ends, and then one.
	ClaimDeliveries(ctx context.Context, destination string, limit int, lease time.Duration) ([]DeliveryClaim, error)
	// WaitingDeliveries gives the first changes of a claimed queue in order: whole inputs, at
	// least one and otherwise at most limit changes. Empty if none is whole yet.
	WaitingDeliveries(ctx context.Context, c DeliveryClaim, limit int) ([]Delivery, error)
	// Copies gives what is known of these resources (Type and ID) at a destination. What
	// nothing is known of is left out.
	Copies(ctx context.Context, destination string, of []Copy) ([]Copy, error)
	// SettleDelivery ends a claim; conflict when it was lost.
	SettleDelivery(ctx context.Context, c DeliveryClaim, s DeliverySettlement) error
	// DeliveryQueues lists the queues in which something waits, by destination and number.
	DeliveryQueues(ctx context.Context) ([]DeliveryQueue, error)
	// RetryDelivery has a queue tried again now; overwrite lets it replace what others wrote
	// there since. Not-found if nothing waits.
	RetryDelivery(ctx context.Context, destination string, number int64, overwrite bool) error
	// DropDelivery forgets what waits in a queue now; later changes are delivered. Not-found
	// if nothing waits.
	DropDelivery(ctx context.Context, destination string, number int64) error
	// Backlogs says what waits: of JetStream, and of each destination, by name.
	Backlogs(ctx context.Context) ([]Backlog, error)
}

// WholeChanges gives the first of an episode's changes, at most limit of them, but never a
// part of what one input made: a queue that is open may still get more of its last one.
func WholeChanges(all []Delivery, limit int, open bool) []Delivery {
	whole := 0
	for i := 0; i < len(all); {
		end := i
		for end < len(all) && all[end].Change == all[i].Change {
			end++
		}
		if end == len(all) && open || whole > 0 && end > limit {
			break
		}
		whole, i = end, end
	}
	return all[:whole]
}
