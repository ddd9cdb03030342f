package embedded

import (
	"cmp"
	"context"
	"database/sql"
	"time"

	"fhirsvc/internal/store"
)

// SetAside takes a row out of the way of those behind it; conflict when the lease was lost.
func (s *Store) SetAside(ctx context.Context, l store.Lease, seq int64, why store.Refusal) error {
	const (
		mark = `UPDATE outbox SET sent_at = ? WHERE seq = ? AND partition = ? AND sent_at IS NULL`
		keep = `INSERT INTO outbox_aside (seq, at, code, details, diagnostics) VALUES (?, ?, ?, ?, ?)`
	)
	clock := micros(time.Now())
	still, err := s.holding(ctx, "set aside", []store.Lease{l}, func(tx *sql.Tx, _ store.Lease) error {
		marked, err := changed(tx.ExecContext(ctx, mark, clock, seq, l.Partition))
		if err == nil && marked {
			_, err = tx.ExecContext(ctx, keep, seq, clock, why.Code, why.Details, why.Diagnostics)
		}
		return err
	})
	return cmp.Or(err, lost("set aside", 1-still))
}

// Aside lists the rows that were set aside, in order.
func (s *Store) Aside(ctx context.Context) ([]store.AsideRow, error) {
	const query = `SELECT a.seq, o.episode, o.subject, o.message_id, coalesce(length(o.body), 0), o.queued_at, a.at, a.code, a.details, a.diagnostics
FROM outbox_aside a JOIN outbox o ON o.seq = a.seq ORDER BY a.seq`
	rows, err := s.read.QueryContext(ctx, query)
	all, err := list(rows, err, func(r *sql.Rows) (a store.AsideRow, err error) {
		var queued sql.NullInt64
		var at int64
		why := &a.Refusal
		err = r.Scan(&a.Seq, &a.Episode, &a.Subject, &a.MessageID, &a.Size, &queued, &at, &why.Code, &why.Details, &why.Diagnostics)
		a.Queued, a.At = maybeInstant(queued), instant(at)
		return a, err
	})
	return all, fault("aside", err)
}

// asideWhat is what there is none of.
const asideWhat = "message of that number that was set aside"

// RetryAside makes a row that was set aside unsent again.
func (s *Store) RetryAside(ctx context.Context, seq int64) error {
	const op = "retry aside"
	return s.writing(ctx, op, func(tx *sql.Tx) error {
		known, err := changed(tx.ExecContext(ctx, `DELETE FROM outbox_aside WHERE seq = ?`, seq))
		if err == nil && !known {
			return notFound(op, asideWhat)
		}
		if err == nil {
			_, err = tx.ExecContext(ctx, `UPDATE outbox SET sent_at = NULL WHERE seq = ?`, seq)
		}
		return err
	})
}

// DropAside leaves a row that was set aside unsent for ever.
func (s *Store) DropAside(ctx context.Context, seq int64) error {
	return s.onOne(ctx, "drop aside", asideWhat, `DELETE FROM outbox_aside WHERE seq = ?`, seq)
}
