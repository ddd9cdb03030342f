package postgres

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"fhirsvc/internal/store"
)

// SetAside takes a row out of the way of those behind it; conflict when the lease was lost.
func (s *Store) SetAside(ctx context.Context, l store.Lease, seq int64, why store.Refusal) error {
	const query = `WITH held AS MATERIALIZED (
  SELECT partition FROM outbox_lease WHERE partition = $1 AND fence = $2 FOR UPDATE
), gone AS (
  UPDATE outbox o SET sent_at = clock_timestamp() FROM held
  WHERE o.seq = $3 AND o.partition = held.partition AND o.sent_at IS NULL RETURNING o.seq
), kept AS (
  INSERT INTO outbox_aside (seq, code, details, diagnostics) SELECT seq, $4, $5, $6 FROM gone
)
SELECT count(*) FROM held`
	var held int
	if err := s.pool.QueryRow(ctx, query, l.Partition, l.Fence, seq, why.Code, why.Details, why.Diagnostics).Scan(&held); err != nil {
		return fault("set aside", err)
	}
	return lost("set aside", 1-held)
}

// asideRow is a row that was set aside.
type asideRow struct {
	Seq                         int64
	Episode, Subject, MessageID string
	Size                        int
	Queued                      *time.Time
	At                          time.Time
	Code, Details, Diagnostics  string
}

// Aside lists the rows that were set aside, in order.
func (s *Store) Aside(ctx context.Context) ([]store.AsideRow, error) {
	const query = `SELECT a.seq, o.episode, o.subject, o.message_id, coalesce(length(o.body), 0) AS size, o.queued_at AS queued, a.at,
  a.code, a.details, a.diagnostics
FROM outbox_aside a JOIN outbox o ON o.seq = a.seq ORDER BY a.seq`
	rows, err := s.pool.Query(ctx, query)
	if err != nil {
		return nil, fault("aside", err)
	}
	found, err := pgx.CollectRows(rows, pgx.RowToStructByName[asideRow])
	return column(found, func(r asideRow) store.AsideRow {
		a := store.AsideRow{
			Seq: r.Seq, Episode: r.Episode, Subject: r.Subject, MessageID: r.MessageID, Size: r.Size, At: r.At.UTC(),
			Refusal: store.Refusal{Code: r.Code, Details: r.Details, Diagnostics: r.Diagnostics},
		}
		if r.Queued != nil {
			a.Queued = r.Queued.UTC()
		}
		return a
	}), fault("aside", err)
}

// RetryAside makes a row that was set aside unsent again.
func (s *Store) RetryAside(ctx context.Context, seq int64) error {
	const query = `WITH a AS (DELETE FROM outbox_aside WHERE seq = $1 RETURNING seq)
UPDATE outbox o SET sent_at = NULL FROM a WHERE o.seq = a.seq`
	return s.onAside(ctx, "retry aside", query, seq)
}

// DropAside leaves a row that was set aside unsent for ever.
func (s *Store) DropAside(ctx context.Context, seq int64) error {
	return s.onAside(ctx, "drop aside", `DELETE FROM outbox_aside WHERE seq = $1`, seq)
}

func (s *Store) onAside(ctx context.Context, op, query string, seq int64) error {
	tag, err := s.pool.Exec(ctx, query, seq)
	if err == nil && tag.RowsAffected() == 0 {
		return notFound(op, "message of that number that was set aside")
	}
	return fault(op, err)
}
