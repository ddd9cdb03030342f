package delivery

import (
	"context"
	"fmt"
	"sync"
	"time"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
)

// fakeOutbox keeps rows in memory and grants leases as the store's contract says.
type fakeOutbox struct {
	mu      sync.Mutex
	rows    []store.OutboxRow
	sent    map[int64]bool
	leases  map[int]lease
	refused int // marks refused because the lease was lost
	looks   int
	markErr error // the next mark fails with it
	aside   []int64
}

type lease struct {
	fence int64
	until time.Time
}

func newFakeOutbox() *fakeOutbox {
	return &fakeOutbox{sent: map[int64]bool{}, leases: map[int]lease{}}
}

// add appends n rows to an episode's partition.
func (o *fakeOutbox) add(episode string, partition, n int) {
	o.mu.Lock()
	defer o.mu.Unlock()
	for range n {
		seq := int64(len(o.rows) + 1)
		o.rows = append(o.rows, store.OutboxRow{Seq: seq, Outbox: store.Outbox{
			Episode: episode, Partition: partition, Subject: fmt.Sprintf("p%d", partition),
			MessageID: fmt.Sprintf("%s-%d", episode, seq),
		}})
	}
}

func (o *fakeOutbox) LeaseOutbox(_ context.Context, _ string, limit int, d time.Duration) ([]store.Lease, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.looks++
	var got []store.Lease
	taken := map[int]bool{}
	for _, r := range o.rows {
		l := o.leases[r.Partition]
		if o.sent[r.Seq] || taken[r.Partition] || time.Now().Before(l.until) || len(got) == limit {
			continue
		}
		taken[r.Partition] = true
		l = lease{fence: l.fence + 1, until: time.Now().Add(d)}
		o.leases[r.Partition] = l
		got = append(got, store.Lease{Partition: r.Partition, Fence: l.fence})
	}
	return got, nil
}

func (o *fakeOutbox) Unsent(_ context.Context, held []store.Lease, limit int) ([]store.OutboxRow, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	var got []store.OutboxRow
	for _, l := range held {
		n := 0
		for _, r := range o.rows {
			if r.Partition == l.Partition && !o.sent[r.Seq] && n < limit && o.holds(l) == nil {
				n++
				got = append(got, r)
			}
		}
	}
	return got, nil
}

func (o *fakeOutbox) MarkSent(_ context.Context, held []store.Lease, seqs []int64) (err error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if err := o.markErr; err != nil {
		o.markErr = nil
		return err
	}
	for _, l := range held {
		if lost := o.holds(l); lost != nil {
			o.refused++
			err = lost
			continue
		}
		for _, s := range seqs {
			if o.rows[s-1].Partition == l.Partition {
				o.sent[s] = true
			}
		}
	}
	return err
}

func (o *fakeOutbox) SetAside(_ context.Context, l store.Lease, seq int64, _ store.Refusal) error {
	o.mu.Lock()
	defer o.mu.Unlock()
	if err := o.holds(l); err != nil {
		return err
	}
	o.sent[seq] = true
	o.aside = append(o.aside, seq)
	return nil
}

func (o *fakeOutbox) ReleaseOutbox(_ context.Context, held []store.Lease) error {
	o.mu.Lock()
	defer o.mu.Unlock()
	for _, l := range held {
		if o.holds(l) == nil {
			o.leases[l.Partition] = lease{fence: l.Fence}
		}
	}
	return nil
}

func (o *fakeOutbox) holds(l store.Lease) error {
	if got := o.leases[l.Partition]; got.fence != l.Fence || !time.Now().Before(got.until) {
		return outcome.Fail(outcome.CodeConflict, "lease", "partition %d is another's", l.Partition)
	}
	return nil
}

// looked is how often a relay has looked for rows.
func (o *fakeOutbox) looked() int {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.looks
}

func (o *fakeOutbox) unsent() int {
	o.mu.Lock()
	defer o.mu.Unlock()
	return len(o.rows) - len(o.sent)
}

// fakeBroker keeps what was published as a stream does: one copy of each message id.
type fakeBroker struct {
	mu      sync.Mutex
	stored  []store.Outbox
	known   map[string]bool
	copies  int // repeats that were dropped
	failing func(store.Outbox) error
	stall   func(ctx context.Context, m store.Outbox) // before a message is stored
}

func newFakeBroker() *fakeBroker { return &fakeBroker{known: map[string]bool{}} }

func (b *fakeBroker) Publish(ctx context.Context, messages []store.Outbox) (int, error) {
	for i, m := range messages {
		if b.stall != nil {
			b.stall(ctx, m)
		}
		if err := b.put(m); err != nil {
			return i, err
		}
		if ctx.Err() != nil {
			return i, ctx.Err() // stored, but its answer came too late
		}
	}
	return len(messages), nil
}

func (b *fakeBroker) put(m store.Outbox) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.failing != nil {
		if err := b.failing(m); err != nil {
			return err
		}
	}
	if b.known[m.MessageID] {
		b.copies++
		return nil
	}
	b.known[m.MessageID] = true
	b.stored = append(b.stored, m)
	return nil
}

// of gives the message ids of an episode in the order in which they were stored.
func (b *fakeBroker) of(episode string) []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	var ids []string
	for _, m := range b.stored {
		if m.Episode == episode {
			ids = append(ids, m.MessageID)
		}
	}
	return ids
}
