package delivery

import (
	"context"
	"log/slog"
	"sync/atomic"
	"time"

	"github.com/google/uuid"
	"go.opentelemetry.io/otel/trace"
	"golang.org/x/sync/errgroup"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
)

// Outbox is where the rows are.
type Outbox interface {
	LeaseOutbox(ctx context.Context, holder string, limit int, lease time.Duration) ([]store.Lease, error)
	Unsent(ctx context.Context, l store.Lease, limit int) ([]store.OutboxRow, error)
	MarkSent(ctx context.Context, l store.Lease, seqs []int64) error
	SetAside(ctx context.Context, l store.Lease, seq int64, why store.Refusal) error
	ReleaseOutbox(ctx context.Context, l store.Lease) error
}

// Publisher sends messages in order and returns how many of them are stored at the
// broker; it never sends one before the one ahead of it is stored. An exception says that
// the next one will never be stored as it is.
type Publisher interface {
	Publish(ctx context.Context, messages []store.Outbox) (int, error)
}

// Options are the settings of a Relay; zero values take the defaults.
type Options struct {
	Outbox    Outbox
	Publisher Publisher
	Log       *slog.Logger
	Traces    trace.TracerProvider // nil gets no spans
	Lease     time.Duration        // of a partition, 10 s
	Idle      time.Duration        // between looks while there is nothing to send, 1 s
	MaxPause  time.Duration        // between tries while the broker is away, 10 s
}

// How much is taken in hand at once: partitions of a round, partitions side by side, and
// rows of a batch.
const (
	roundPartitions = 16
	sideBySide      = 4
	batchRows       = 256
)

// busy is the wait after a round that sent something: more may be on its way.
const busy = 10 * time.Millisecond

// Relay sends outbox rows. Any number of relays may work on one outbox.
type Relay struct {
	outbox    Outbox
	publisher Publisher
	log       *slog.Logger
	traces    trace.TracerProvider
	holder    string
	lease     time.Duration
	idle      time.Duration
	maxPause  time.Duration
	wake      chan struct{}
}

// NewRelay returns a relay that does nothing until Run.
func NewRelay(o Options) *Relay {
	r := &Relay{
		outbox: o.Outbox, publisher: o.Publisher, log: o.Log, traces: o.Traces,
		holder: uuid.NewString(),
		lease:  o.Lease, idle: o.Idle, maxPause: o.MaxPause,
		wake: make(chan struct{}, 1),
	}
	if r.lease <= 0 {
		r.lease = 10 * time.Second
	}
	if r.idle <= 0 {
		r.idle = time.Second
	}
	if r.maxPause <= 0 {
		r.maxPause = 10 * time.Second
	}
	return r
}

// Wake tells the relay that there are new rows. It never blocks.
func (r *Relay) Wake() { nudge(r.wake) }

// Run sends rows until ctx ends; the partition in hand is then finished or given back.
// It looks at once after Wake, soon after it has sent something, seldom while there is
// nothing, and ever more seldom while nothing can be sent.
func (r *Relay) Run(ctx context.Context) {
	failures := 0
	for ctx.Err() == nil {
		sent, err := r.round(ctx)
		if err != nil && sent == 0 && ctx.Err() == nil {
			failures++
			r.log.Warn("relay can't send", "kind", outcome.KindOf(err), "attempt", failures, "error", err)
			pause(ctx, nil, jitter(min(r.maxPause, 50*time.Millisecond<<min(failures, 16))))
			continue
		}
		failures = 0
		wait := r.idle
		if sent > 0 {
			wait = busy
		}
		pause(ctx, r.wake, jitter(wait))
	}
}

// Drain sends what can be sent now: until a round has nothing to send, ctx ends or the
// broker is away. What stays behind is sent by the next relay.
func (r *Relay) Drain(ctx context.Context) error {
	for {
		sent, err := r.round(ctx)
		if err != nil || sent == 0 {
			return err
		}
	}
}

// round leases partitions with unsent rows and empties them. It returns the number of
// rows sent and the first error.
func (r *Relay) round(ctx context.Context) (int, error) {
	until := time.Now().Add(r.lease)
	leases, err := r.outbox.LeaseOutbox(ctx, r.holder, roundPartitions, r.lease)
	if err != nil {
		return 0, err
	}
	// Nothing is sent in the last third of a lease: the next holder may begin at its end.
	ctx, cancel := context.WithDeadline(ctx, until.Add(-r.lease/3))
	defer cancel()
	var sent atomic.Int64
	var g errgroup.Group
	g.SetLimit(sideBySide)
	for _, l := range leases {
		g.Go(func() error {
			n, err := r.partition(ctx, l)
			sent.Add(int64(n))
			return err
		})
	}
	err = g.Wait()
	return int(sent.Load()), err
}

// partition sends the rows of one partition until there are none or time is up, and
// gives the lease back. After a failure it keeps the lease: the partition sits out until
// the lease ends and the others are not held up by it.
func (r *Relay) partition(ctx context.Context, l store.Lease) (int, error) {
	sent := 0
	for ctx.Err() == nil {
		n, err := r.batch(ctx, l)
		sent += n
		if outcome.KindOf(err) == outcome.CodeConflict {
			return sent, nil // another relay has it: it goes on from what is marked
		}
		if err != nil && ctx.Err() == nil {
			return sent, err
		}
		if n == 0 {
			break
		}
	}
	return sent, r.giveBack(ctx, l)
}

// batch sends the first unsent rows of a partition and marks those that the broker has. One
// that the broker will never take is set aside, so that those behind it go on.
func (r *Relay) batch(ctx context.Context, l store.Lease) (int, error) {
	rows, err := r.outbox.Unsent(ctx, l, batchRows)
	if err != nil || len(rows) == 0 {
		return 0, err
	}
	messages := make([]store.Outbox, len(rows))
	for i, row := range rows {
		messages[i] = row.Outbox
	}
	sent, publishErr := r.publish(ctx, messages)
	never := outcome.KindOf(publishErr) == outcome.CodeException && sent < len(rows)
	if sent == 0 && !never {
		return 0, publishErr
	}
	seqs := make([]int64, sent)
	for i := range seqs {
		seqs[i] = rows[i].Seq
	}
	// Marked even when time is up meanwhile: what is not marked is sent twice.
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), r.lease/3)
	defer cancel()
	if sent > 0 {
		if err := r.outbox.MarkSent(ctx, l, seqs); err != nil {
			return 0, err
		}
	}
	if !never {
		return sent, publishErr
	}
	row := rows[sent]
	r.log.Error("message set aside that the broker will not take; see 'fhirsvc outbox'", "event_id", row.MessageID, "partition", l.Partition, "kind", outcome.CodeException, "error", publishErr)
	why := store.Refusal{Code: string(outcome.CodeException), Details: "the broker takes no message like this", Diagnostics: publishErr.Error()}
	return sent + 1, r.outbox.SetAside(ctx, l, row.Seq, why)
}

// giveBack ends a lease early, also when ctx has ended, so that nobody waits for it.
func (r *Relay) giveBack(ctx context.Context, l store.Lease) error {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), r.lease/3)
	defer cancel()
	if err := r.outbox.ReleaseOutbox(ctx, l); outcome.KindOf(err) != outcome.CodeConflict {
		return err
	}
	return nil
}
