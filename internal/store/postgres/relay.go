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

// heldLeases are the leases that are still held, of those in two arrays.
const heldLeases = `outbox_lease l JOIN unnest($1::integer[], $2::bigint[]) AS k (partition, fence) USING (partition, fence)`

// leaseColumns are these arrays.
func leaseColumns(held []store.Lease) []any {
	return []any{
		column(held, func(l store.Lease) int { return l.Partition }), column(held, func(l store.Lease) int64 { return l.Fence }),
	}
}

// Unsent gives the first unsent rows of leased partitions. The leases are looked at after the
// rows, so that they held while those were read.
func (s *Store) Unsent(ctx context.Context, held []store.Lease, limit int) ([]store.OutboxRow, error) {
	const (
		read = `SELECT o.seq, o.partition, o.episode, o.subject, o.message_id, o.headers, o.body
FROM unnest($1::integer[]) AS k (partition) CROSS JOIN LATERAL (
  SELECT * FROM outbox o WHERE o.partition = k.partition AND o.sent_at IS NULL ORDER BY o.seq LIMIT $2
) o ORDER BY o.partition, o.seq`
		check = `SELECT partition FROM ` + heldLeases
	)
	var found []outboxRow
	var still []int
	batch := &pgx.Batch{}
	batch.Queue(read, leaseColumns(held)[0], limit).Query(func(rows pgx.Rows) (err error) {
		found, err = pgx.CollectRows(rows, pgx.RowToStructByName[outboxRow])
		return err
	})
	batch.Queue(check, leaseColumns(held)...).Query(func(rows pgx.Rows) (err error) {
		still, err = pgx.CollectRows(rows, pgx.RowTo[int])
		return err
	})
	if err := s.pool.SendBatch(ctx, batch).Close(); err != nil {
		return nil, fault("unsent", err)
	}
	return outboxRows(slices.DeleteFunc(found, func(r outboxRow) bool { return !slices.Contains(still, r.Partition) })), nil
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

// nobodyListens holds where there is neither a Subscription nor a destination to be told.
const nobodyListens = `NOT EXISTS (SELECT FROM subscription WHERE status <> 'off') AND NOT EXISTS (SELECT FROM destination)`

// MarkSent marks rows of leased partitions as sent. The lease rows are locked first, so that
// nobody takes one over meanwhile. Where nobody listens the rows are matched as well: they were
// read before, so that whoever listens later was not there when they were made.
func (s *Store) MarkSent(ctx context.Context, held []store.Lease, seqs []int64) error {
	const query = `WITH held AS MATERIALIZED (
  SELECT partition FROM ` + heldLeases + ` ORDER BY partition FOR UPDATE OF l
), marked AS (
  UPDATE outbox o SET sent_at = clock_timestamp(),
    matched_at = coalesce(o.matched_at, CASE WHEN ` + nobodyListens + ` THEN clock_timestamp() END)
  FROM held WHERE o.seq = ANY ($3) AND o.partition = held.partition AND o.sent_at IS NULL
)
SELECT count(*) FROM held`
	var still int
	if err := s.pool.QueryRow(ctx, query, append(leaseColumns(held), seqs)...).Scan(&still); err != nil {
		return fault("mark sent", err)
	}
	return lost("mark sent", len(held)-still)
}

// ReleaseOutbox gives leases back early. The fences move on, so that what their holder still
// has under way is refused.
func (s *Store) ReleaseOutbox(ctx context.Context, held []store.Lease) error {
	const query = `WITH held AS MATERIALIZED (SELECT partition FROM ` + heldLeases + ` ORDER BY partition FOR UPDATE OF l)
UPDATE outbox_lease l SET holder = '', fence = l.fence + 1, leased_until = clock_timestamp()
FROM held WHERE l.partition = held.partition`
	_, err := s.pool.Exec(ctx, query, leaseColumns(held)...)
	return fault("release outbox", err)
}

// Unsettled counts the rows not yet sent.
func (s *Store) Unsettled(ctx context.Context) (n int, err error) {
	err = s.pool.QueryRow(ctx, `SELECT count(*) FROM outbox WHERE sent_at IS NULL`).Scan(&n)
	return n, fault("unsettled", err)
}

// lost tells that some leases were lost; nil for none.
func lost(op string, n int) error {
	if n == 0 {
		return nil
	}
	return outcome.Fail(outcome.CodeConflict, op, "the leases of %d partitions were lost", n)
}
