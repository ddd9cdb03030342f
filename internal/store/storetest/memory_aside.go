package storetest

import (
	"context"
	"slices"
	"time"

	"fhirsvc/internal/store"
)

// SetAside takes a row out of the way of those behind it.
func (m *Memory) SetAside(_ context.Context, l store.Lease, seq int64, why store.Refusal) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if err := m.held("set aside", l); err != nil {
		return err
	}
	row := &m.outbox[seq-1]
	if row.sent || row.Partition != l.Partition {
		return nil
	}
	row.sent = true
	m.aside = append(m.aside, store.AsideRow{
		Seq: seq, Episode: row.Episode, Subject: row.Subject, MessageID: row.MessageID,
		Size: len(row.Body), Queued: row.queued.UTC(), At: time.Now().UTC(), Refusal: why,
	})
	return nil
}

// Aside lists the rows that were set aside, in order.
func (m *Memory) Aside(context.Context) ([]store.AsideRow, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	all := slices.Clone(m.aside)
	slices.SortFunc(all, func(a, b store.AsideRow) int { return int(a.Seq - b.Seq) })
	return all, nil
}

// RetryAside makes a row that was set aside unsent again.
func (m *Memory) RetryAside(ctx context.Context, seq int64) error {
	if err := m.DropAside(ctx, seq); err != nil {
		return err
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	m.outbox[seq-1].sent = false
	return nil
}

// DropAside leaves a row that was set aside unsent for ever.
func (m *Memory) DropAside(_ context.Context, seq int64) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	i := slices.IndexFunc(m.aside, func(a store.AsideRow) bool { return a.Seq == seq })
	if i < 0 {
		return missing("drop aside", "message of that number that was set aside")
	}
	m.aside = slices.Delete(m.aside, i, i+1)
	return nil
}
