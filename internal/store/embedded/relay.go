package embedded

import (
	"cmp"
	"context"
	"database/sql"
	"encoding/json"
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

// Unsent gives the first unsent rows of leased partitions.
func (s *Store) Unsent(ctx context.Context, held []store.Lease, limit int) ([]store.OutboxRow, error) {
	const query = `SELECT seq, episode, partition, subject, message_id, headers, body
FROM outbox WHERE partition = ? AND sent_at IS NULL ORDER BY seq LIMIT ?`
	var unsent []store.OutboxRow
	_, err := s.holding(ctx, "unsent", held, func(tx *sql.Tx, l store.Lease) error {
		rows, err := tx.QueryContext(ctx, query, l.Partition, limit)
		found, err := list(rows, err, scanOutbox)
		unsent = append(unsent, found...)
		return err
	})
	return unsent, err
}

// MarkSent marks rows of leased partitions as sent.
func (s *Store) MarkSent(ctx context.Context, held []store.Lease, seqs []int64) error {
	const query = `UPDATE outbox SET sent_at = ? WHERE seq = ? AND partition = ? AND sent_at IS NULL`
	still, err := s.holding(ctx, "mark sent", held, func(tx *sql.Tx, l store.Lease) error {
		for _, seq := range seqs {
			if _, err := tx.ExecContext(ctx, query, micros(time.Now()), seq, l.Partition); err != nil {
				return err
			}
		}
		return nil
	})
	return cmp.Or(err, lost("mark sent", len(held)-still))
}

// ReleaseOutbox gives leases back early. The fences move on, so that what their holder still
// has under way is refused.
func (s *Store) ReleaseOutbox(ctx context.Context, held []store.Lease) error {
	const query = `UPDATE outbox_lease SET holder = '', fence = fence + 1, leased_until = ? WHERE partition = ?`
	_, err := s.holding(ctx, "release outbox", held, func(tx *sql.Tx, l store.Lease) error {
		_, err := tx.ExecContext(ctx, query, micros(time.Now()), l.Partition)
		return err
	})
	return err
}

// Unsettled counts the rows not yet sent.
func (s *Store) Unsettled(ctx context.Context) (int, error) {
	var n int
	err := s.read.QueryRowContext(ctx, `SELECT count(*) FROM outbox WHERE sent_at IS NULL`).Scan(&n)
	return n, fault("unsettled", err)
}

// holding runs fn for each lease that nobody else has taken, all in one transaction, and gives
// their number.
func (s *Store) holding(ctx context.Context, op string, held []store.Lease, fn func(tx *sql.Tx, l store.Lease) error) (n int, err error) {
	const query = `SELECT count(*) FROM outbox_lease WHERE partition = ? AND fence = ?`
	err = s.writing(ctx, op, func(tx *sql.Tx) error {
		n = 0
		for _, l := range held {
			var mine int
			if err := tx.QueryRowContext(ctx, query, l.Partition, l.Fence).Scan(&mine); err != nil {
				return err
			}
			if mine == 0 {
				continue
			}
			n++
			if err := fn(tx, l); err != nil {
				return err
			}
		}
		return nil
	})
	return n, err
}

// lost tells that some leases were lost; nil for none.
func lost(op string, n int) error {
	if n == 0 {
		return nil
	}
	return outcome.Fail(outcome.CodeConflict, op, "the leases of %d partitions were lost", n)
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
