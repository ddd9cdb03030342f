package delivery

import (
	"cmp"
	"context"
	"log/slog"
	"maps"
	"slices"
	"time"

	"github.com/google/uuid"
	"go.opentelemetry.io/otel/trace"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
)

// Outbox is where the rows are.
type Outbox interface {
	LeaseOutbox(ctx context.Context, holder string, limit int, lease time.Duration) ([]store.Lease, error)
	Unsent(ctx context.Context, held []store.Lease, limit int) ([]store.OutboxRow, error)
	MarkSent(ctx context.Context, held []store.Lease, seqs []int64) error
	SetAside(ctx context.Context, l store.Lease, seq int64, why store.Refusal) error
	ReleaseOutbox(ctx context.Context, held []store.Lease) error
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

// How much is taken in hand at once: partitions of a round, and rows of each of them.
const (
	roundPartitions = 16
	batchRows       = 256
)

// gathering is the wait after a round that sent something: what is committed meanwhile goes
// together, since a round is three transactions, whatever it sends.
const gathering = 25 * time.Millisecond

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

// Run sends rows until ctx ends; the partitions in hand are then finished or given back.
// It looks at once after Wake, shortly after it has sent something, seldom while there is
// nothing, and ever more seldom while nothing can be sent.
func (r *Relay) Run(ctx context.Context) {
	failures := 0
	for ctx.Err() == nil {
		sent, more, err := r.round(ctx)
		if err != nil && sent == 0 && ctx.Err() == nil {
			failures++
			r.log.Warn("relay can't send", "kind", outcome.KindOf(err), "attempt", failures, "error", err)
			pause(ctx, nil, jitter(min(r.maxPause, 50*time.Millisecond<<min(failures, 16))))
			continue
		}
		failures = 0
		switch {
		case sent == 0:
			pause(ctx, r.wake, jitter(r.idle))
		case !more:
			pause(ctx, nil, jitter(gathering))
		}
	}
}

// Drain sends what can be sent now: until a round has nothing to send, ctx ends or the
// broker is away. What stays behind is sent by the next relay.
func (r *Relay) Drain(ctx context.Context) error {
	for {
		sent, _, err := r.round(ctx)
		if err != nil || sent == 0 {
			return err
		}
	}
}

// round leases partitions with unsent rows and empties them together: what of many is read,
// sent and marked at once costs the database and the broker little more than what of one is.
// It returns the number of rows sent, whether other partitions may wait, and the first error.
func (r *Relay) round(ctx context.Context) (sent int, more bool, first error) {
	until := time.Now().Add(r.lease)
	leases, err := r.outbox.LeaseOutbox(ctx, r.holder, roundPartitions, r.lease)
	if err != nil || len(leases) == 0 {
		return 0, false, err
	}
	h := hand{r, leases}
	// Nothing is sent in the last third of a lease: the next holder may begin at its end.
	ctx, cancel := context.WithDeadline(ctx, until.Add(-r.lease/3))
	defer cancel()
	for again := true; again && len(h.held) > 0 && ctx.Err() == nil; {
		var n int
		n, again, err = h.batch(ctx)
		sent += n
		if first == nil && ctx.Err() == nil {
			first = err
		}
	}
	return sent, len(leases) == roundPartitions, cmp.Or(first, h.giveBack(ctx))
}

// hand is what a relay has in hand in a round.
type hand struct {
	*Relay
	held []store.Lease // what failed is no longer among them: it sits out until its lease ends
}

// batch sends the first unsent rows of partitions and marks those that the broker has. One
// that the broker will never take is set aside, so that those behind it go on. After another
// failure the partition that met it sits out, and the others are not held up by it. It
// returns the number of rows that are settled, and whether there may be more.
func (h *hand) batch(ctx context.Context) (n int, more bool, err error) {
	rows, err := h.outbox.Unsent(ctx, h.held, batchRows)
	if err != nil {
		h.held = nil
		return 0, false, err
	}
	if len(rows) == 0 {
		return 0, false, nil
	}
	messages := make([]store.Outbox, len(rows))
	for i, row := range rows {
		messages[i] = row.Outbox
	}
	sent, publishErr := h.publish(ctx, messages)
	// Marked even when time is up meanwhile: what is not marked is sent twice.
	after, cancel := context.WithTimeout(context.WithoutCancel(ctx), h.lease/3)
	defer cancel()
	if err := h.mark(after, rows[:sent]); err != nil {
		h.held = nil
		return 0, false, err
	}
	if sent == len(rows) {
		return sent, full(rows), nil
	}
	of := slices.IndexFunc(h.held, func(l store.Lease) bool { return l.Partition == rows[sent].Partition })
	if outcome.KindOf(publishErr) == outcome.CodeException {
		return sent + 1, true, h.setAside(after, h.held[of], rows[sent], publishErr)
	}
	if ctx.Err() == nil {
		h.held = slices.Delete(h.held, of, of+1)
	}
	return sent, true, publishErr
}

// mark marks rows as sent. A lease that another relay has by now is no error: it goes on from
// what is marked.
func (h *hand) mark(ctx context.Context, rows []store.OutboxRow) error {
	if len(rows) == 0 {
		return nil
	}
	seqs := make([]int64, len(rows))
	for i, row := range rows {
		seqs[i] = row.Seq
	}
	return unlessLost(h.outbox.MarkSent(ctx, h.held, seqs))
}

func unlessLost(err error) error {
	if outcome.KindOf(err) == outcome.CodeConflict {
		return nil
	}
	return err
}

// full reports whether a partition may have more rows than these.
func full(rows []store.OutboxRow) bool {
	n := map[int]int{}
	for _, row := range rows {
		n[row.Partition]++
	}
	return slices.Max(slices.Collect(maps.Values(n))) == batchRows
}

func (h *hand) setAside(ctx context.Context, l store.Lease, row store.OutboxRow, cause error) error {
	h.log.Error("message set aside that the broker will not take; see 'fhirsvc outbox'", "event_id", row.MessageID, "partition", l.Partition, "kind", outcome.CodeException, "error", cause)
	why := store.Refusal{Code: string(outcome.CodeException), Details: "the broker takes no message like this", Diagnostics: cause.Error()}
	return unlessLost(h.outbox.SetAside(ctx, l, row.Seq, why))
}

// giveBack ends leases early, also when ctx has ended, so that nobody waits for them.
func (h *hand) giveBack(ctx context.Context) error {
	if len(h.held) == 0 {
		return nil
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), h.lease/3)
	defer cancel()
	return h.outbox.ReleaseOutbox(ctx, h.held)
}
