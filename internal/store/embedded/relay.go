package embedded

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"time"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
)

// LeaseOutbox takes up to limit partitions that have unsent rows and no living lease,
// the one that waited longest first.
func (s *Store) LeaseOutbox(ctx context.Context, holder string, limit int, lease time.Duration) ([]store.Lease, error) {
	const (
		find = `SELECT l.partition, l.fence + 1 FROM outbox_lease l
WHERE l.leased_until <= ? AND EXISTS (SELECT 1 FROM outbox o WHERE o.partition = l.partition AND o.sent_at IS NULL)
ORDER BY l.leased_until, l.partition LIMIT ?`
		take = `UPDATE outbox_lease SET holder = ?, fence = ?, leased_until = ? WHERE partition = ?`
	)
	clock := time.Now()
	var taken []store.Lease
	err := s.writing(ctx, "lease outbox", func(tx *sql.Tx) error {
		rows, err := tx.QueryContext(ctx, find, micros(clock), limit)
		taken, err = list(rows, err, func(r *sql.Rows) (l store.Lease, err error) {
			return l, r.Scan(&l.Partition, &l.Fence)
		})
		for _, l := range taken {
			if err == nil {
				_, err = tx.ExecContext(ctx, take, holder, l.Fence, micros(clock.Add(lease)), l.Partition)
			}
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	return taken, nil
}

// Unsent gives the first unsent rows of a leased partition in order, at most limit;
// conflict when the lease was lost.
func (s *Store) Unsent(ctx context.Context, l store.Lease, limit int) ([]store.OutboxRow, error) {
	const query = `SELECT seq, episode, partition, subject, message_id, headers, body
FROM outbox WHERE partition = ? AND sent_at IS NULL ORDER BY seq LIMIT ?`
	var unsent []store.OutboxRow
	err := s.holding(ctx, "unsent", l, func(tx *sql.Tx) error {
		rows, err := tx.QueryContext(ctx, query, l.Partition, limit)
		unsent, err = list(rows, err, scanOutbox)
		return err
	})
	return unsent, err
}

// MarkSent marks rows of a leased partition as sent; conflict when the lease was lost.
func (s *Store) MarkSent(ctx context.Context, l store.Lease, seqs []int64) error {
	const query = `UPDATE outbox SET sent_at = ? WHERE seq = ? AND partition = ? AND sent_at IS NULL`
	return s.holding(ctx, "mark sent", l, func(tx *sql.Tx) error {
		for _, seq := range seqs {
			if _, err := tx.ExecContext(ctx, query, micros(time.Now()), seq, l.Partition); err != nil {
				return err
			}
		}
		return nil
	})
}

// ReleaseOutbox gives the lease back early. The fence moves on, so that what its
// holder still has under way is refused. A lease that was lost needs no release.
func (s *Store) ReleaseOutbox(ctx context.Context, l store.Lease) error {
	const query = `UPDATE outbox_lease SET holder = '', fence = fence + 1, leased_until = ? WHERE partition = ? AND fence = ?`
	_, err := s.write.ExecContext(ctx, query, micros(time.Now()), l.Partition, l.Fence)
	return fault("release outbox", err)
}

// Unsettled counts the rows not yet sent.
func (s *Store) Unsettled(ctx context.Context) (int, error) {
	var n int
	err := s.read.QueryRowContext(ctx, `SELECT count(*) FROM outbox WHERE sent_at IS NULL`).Scan(&n)
	return n, fault("unsettled", err)
}

// holding runs fn in a transaction in which nobody else has taken the lease.
func (s *Store) holding(ctx context.Context, op string, l store.Lease, fn func(tx *sql.Tx) error) error {
	const query = `SELECT 1 FROM outbox_lease WHERE partition = ? AND fence = ?`
	return s.writing(ctx, op, func(tx *sql.Tx) error {
		var held int
		err := tx.QueryRowContext(ctx, query, l.Partition, l.Fence).Scan(&held)
		if errors.Is(err, sql.ErrNoRows) {
			return outcome.Fail(outcome.CodeConflict, op, "the lease of partition %d was lost", l.Partition)
		}
		if err != nil {
			return err
		}
		return fn(tx)
	})
}

func scanOutbox(r *sql.Rows) (store.OutboxRow, error) {
	var o store.OutboxRow
	var headers []byte
	err := r.Scan(&o.Seq, &o.Episode, &o.Partition, &o.Subject, &o.MessageID, &headers, &o.Body)
	if err != nil {
		return o, err
	}
	return o, json.Unmarshal(headers, &o.Headers)
}
