package storetest

import (
	"cmp"
	"context"
	"slices"
	"time"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
)

// ClaimDue leases episodes that are due.
func (m *Memory) ClaimDue(_ context.Context, c store.Claim) ([]store.Due, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	clock := time.Now()
	now := c.Now
	if now.IsZero() {
		now = clock
	}
	var due []store.Due
	for id, row := range m.episodes {
		if !row.Due.IsZero() && !row.Due.After(now) && !row.leased.After(clock) && row.RulesVersion <= c.Rules {
			due = append(due, store.Due{Episode: id, At: row.Due})
		}
	}
	slices.SortFunc(due, func(a, b store.Due) int { return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.Episode, b.Episode)) })
	due = due[:min(c.Limit, len(due))]
	for _, d := range due {
		m.episodes[d.Episode].leased = clock.Add(c.Lease)
	}
	return due, nil
}

// Now gives this process's clock.
func (m *Memory) Now(context.Context) (time.Time, error) {
	return time.Now().UTC().Truncate(time.Microsecond), nil
}

// NextDue gives the earliest due time.
func (m *Memory) NextDue(context.Context) (at time.Time, ok bool, err error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, row := range m.episodes {
		if due := row.Due; !due.IsZero() && (!ok || due.Before(at)) {
			at, ok = due, true
		}
	}
	return at, ok, nil
}

// LeaseOutbox takes partitions that have unsent rows and no living lease, the one that
// waited longest first.
func (m *Memory) LeaseOutbox(_ context.Context, _ string, limit int, length time.Duration) ([]store.Lease, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	clock := time.Now()
	var waiting []int
	for _, row := range m.outbox {
		if !row.sent && !m.leases[row.Partition].until.After(clock) && !slices.Contains(waiting, row.Partition) {
			waiting = append(waiting, row.Partition)
		}
	}
	slices.SortStableFunc(waiting, func(a, b int) int { return m.leases[a].until.Compare(m.leases[b].until) })
	var taken []store.Lease
	for _, p := range waiting[:min(limit, len(waiting))] {
		m.leases[p] = lease{fence: m.leases[p].fence + 1, until: clock.Add(length)}
		taken = append(taken, store.Lease{Partition: p, Fence: m.leases[p].fence})
	}
	return taken, nil
}

// held tells that the lease was lost to another holder.
func (m *Memory) held(op string, l store.Lease) error {
	if m.leases[l.Partition].fence != l.Fence {
		return outcome.Fail(outcome.CodeConflict, op, "the lease of partition %d was lost", l.Partition)
	}
	return nil
}

// Unsent gives the first unsent rows of leased partitions.
func (m *Memory) Unsent(_ context.Context, held []store.Lease, limit int) ([]store.OutboxRow, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	var rows []store.OutboxRow
	for _, l := range held {
		n := 0
		for _, row := range m.outbox {
			if row.Partition == l.Partition && !row.sent && n < limit && m.held("unsent", l) == nil {
				n++
				rows = append(rows, row.OutboxRow)
			}
		}
	}
	return rows, nil
}

// MarkSent marks rows of leased partitions as sent.
func (m *Memory) MarkSent(_ context.Context, held []store.Lease, seqs []int64) (err error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, l := range held {
		if lost := m.held("mark sent", l); lost != nil {
			err = lost
			continue
		}
		for i := range m.outbox {
			if row := &m.outbox[i]; row.Partition == l.Partition && slices.Contains(seqs, row.Seq) {
				row.sent = true
			}
		}
	}
	return err
}

// ReleaseOutbox gives leases back; the fences move on.
func (m *Memory) ReleaseOutbox(_ context.Context, held []store.Lease) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, l := range held {
		if m.held("release outbox", l) == nil {
			m.leases[l.Partition] = lease{fence: l.Fence + 1, until: time.Now()}
		}
	}
	return nil
}

// Unsettled counts the rows not yet sent.
func (m *Memory) Unsettled(context.Context) (int, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	n := 0
	for _, row := range m.outbox {
		if !row.sent {
			n++
		}
	}
	return n, nil
}
