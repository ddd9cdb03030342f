package postgres

import (
	"cmp"
	"context"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
)

// LeaseOutbox takes up to limit partitions that have unsent rows and no living lease,
// the one that waited longest first.
func (s *Store) LeaseOutbox(ctx context.Context, holder string, limit int, lease time.Duration) ([]store.Lease, error) {
	const query = `WITH free AS MATERIALIZED (
  SELECT l.partition FROM outbox_lease l
  WHERE l.leased_until <= clock_timestamp()
    AND EXISTS (SELECT 1 FROM outbox o WHERE o.partition = l.partition AND o.sent_at IS NULL)
  ORDER BY l.leased_until, l.partition
  LIMIT $2
  FOR UPDATE OF l SKIP LOCKED
)
UPDATE outbox_lease l SET holder = $1, fence = l.fence + 1, leased_until = clock_timestamp() + $3
FROM free WHERE l.partition = free.partition
RETURNING l.partition, l.fence`
	rows, err := s.pool.Query(ctx, query, holder, limit, lease)
	if err != nil {
		return nil, fault("lease outbox", err)
	}
	taken, err := pgx.CollectRows(rows, pgx.RowToStructByName[store.Lease])
	slices.SortFunc(taken, func(a, b store.Lease) int { return cmp.Compare(a.Partition, b.Partition) })
	return taken, fault("lease outbox", err)
}

// outboxRow is a row of outbox that is to be sent.
type outboxRow struct {
	Seq                         int64
	Partition                   int
	Episode, Subject, MessageID string
	Headers                     map[string]string
	Body                        []byte
}

// Unsent gives the first unsent rows of a leased partition in order, at most limit;
// conflict when the lease was lost. The lease is looked at after the rows, so that it
// held while they were read.
func (s *Store) Unsent(ctx context.Context, l store.Lease, limit int) ([]store.OutboxRow, error) {
	const (
		read = `SELECT seq, partition, episode, subject, message_id, headers, body
FROM outbox WHERE partition = $1 AND sent_at IS NULL ORDER BY seq LIMIT $2`
		check = `SELECT count(*) FROM outbox_lease WHERE partition = $1 AND fence = $2`
	)
	var found []outboxRow
	var held int
	batch := &pgx.Batch{}
	batch.Queue(read, l.Partition, limit).Query(func(rows pgx.Rows) (err error) {
		found, err = pgx.CollectRows(rows, pgx.RowToStructByName[outboxRow])
		return err
	})
	batch.Queue(check, l.Partition, l.Fence).QueryRow(func(row pgx.Row) error { return row.Scan(&held) })
	if err := s.pool.SendBatch(ctx, batch).Close(); err != nil {
		return nil, fault("unsent", err)
	}
	if held == 0 {
		return nil, lost("unsent", l)
	}
	return outboxRows(found), nil
}

func outboxRows(found []outboxRow) []store.OutboxRow {
	rows := make([]store.OutboxRow, len(found))
	for i, r := range found {
		rows[i] = store.OutboxRow{Seq: r.Seq, Outbox: store.Outbox{
			Episode: r.Episode, Partition: r.Partition, Subject: r.Subject, MessageID: r.MessageID, Headers: r.Headers, Body: r.Body,
		}}
	}
	return rows
}

// MarkSent marks rows of a leased partition as sent; conflict when the lease was lost.
// The lease row is locked first, so that nobody takes it over meanwhile.
func (s *Store) MarkSent(ctx context.Context, l store.Lease, seqs []int64) error {
	const query = `WITH held AS MATERIALIZED (
  SELECT partition FROM outbox_lease WHERE partition = $1 AND fence = $2 FOR UPDATE
), marked AS (
  UPDATE outbox o SET sent_at = clock_timestamp()
  FROM held WHERE o.seq = ANY ($3) AND o.partition = held.partition AND o.sent_at IS NULL
)
SELECT count(*) FROM held`
	var held int
	if err := s.pool.QueryRow(ctx, query, l.Partition, l.Fence, seqs).Scan(&held); err != nil {
		return fault("mark sent", err)
	}
	if held == 0 {
		return lost("mark sent", l)
	}
	return nil
}

// ReleaseOutbox gives the lease back early. The fence moves on, so that what its
// holder still has under way is refused. A lease that was lost needs no release.
func (s *Store) ReleaseOutbox(ctx context.Context, l store.Lease) error {
	const query = `UPDATE outbox_lease SET holder = '', fence = fence + 1, leased_until = clock_timestamp()
WHERE partition = $1 AND fence = $2`
	_, err := s.pool.Exec(ctx, query, l.Partition, l.Fence)
	return fault("release outbox", err)
}

// Unsettled counts the rows not yet sent.
func (s *Store) Unsettled(ctx context.Context) (n int, err error) {
	err = s.pool.QueryRow(ctx, `SELECT count(*) FROM outbox WHERE sent_at IS NULL`).Scan(&n)
	return n, fault("unsettled", err)
}

func lost(op string, l store.Lease) error {
	return outcome.Fail(outcome.CodeConflict, op, "the lease of partition %d was lost", l.Partition)
}
