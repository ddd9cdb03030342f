package postgres

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"fhirsvc/internal/store"
)

// SettleDelivery ends a claim; conflict when it was lost. The queue is locked by a statement
// of its own: what a matcher has put in by then is seen by the next ones.
func (s *Store) SettleDelivery(ctx context.Context, c store.DeliveryClaim, x store.DeliverySettlement) error {
	const (
		op   = "settle delivery"
		hold = `SELECT count(*) FROM (SELECT 1 FROM delivery_queue WHERE destination = $1 AND episode = $2 AND token = $3 FOR UPDATE) held`
		sent = `DELETE FROM delivery WHERE destination = $1 AND episode = $2 AND seq = ANY ($3)`
	)
	err := pgx.BeginFunc(ctx, s.pool, func(tx pgx.Tx) error {
		var held int
		if err := tx.QueryRow(ctx, hold, c.Destination, c.Episode, c.Token).Scan(&held); err != nil {
			return err
		}
		if held == 0 {
			return lostDelivery(op, c)
		}
		batch := &pgx.Batch{}
		batch.Queue(sent, c.Destination, c.Episode, x.Sent)
		keepCopies(batch, c.Destination, x.Copies)
		settleQueue(batch, c, x)
		settleDestination(batch, c.Destination, x)
		return send(ctx, tx, batch)
	})
	return fault(op, err)
}

func keepCopies(batch *pgx.Batch, destination string, copies []store.Copy) {
	const query = `INSERT INTO delivered (destination, type, id, version, remote_id, remote_version, is_foreign)
SELECT $1, * FROM unnest($2::text[], $3::text[], $4::bigint[], $5::text[], $6::text[], $7::boolean[])
ON CONFLICT (destination, type, id) DO UPDATE SET version = excluded.version, remote_id = excluded.remote_id,
  remote_version = excluded.remote_version, is_foreign = excluded.is_foreign`
	if len(copies) == 0 {
		return
	}
	batch.Queue(query, destination,
		column(copies, func(c store.Copy) string { return c.Type }),
		column(copies, func(c store.Copy) string { return c.ID }),
		column(copies, func(c store.Copy) int64 { return c.Version }),
		column(copies, func(c store.Copy) string { return c.RemoteID }),
		column(copies, func(c store.Copy) string { return c.RemoteVersion }),
		column(copies, func(c store.Copy) bool { return c.Foreign }),
	)
}

func settleQueue(batch *pgx.Batch, c store.DeliveryClaim, x store.DeliverySettlement) {
	const (
		refuse = `UPDATE delivery_queue SET token = '', leased_until = '-infinity', due = NULL, attempts = 0, failing_since = NULL,
  doubt = false, overwrite = false, refused_at = clock_timestamp(), code = $3, status = $4, details = $5, diagnostics = $6
WHERE destination = $1 AND episode = $2`
		fail = `UPDATE delivery_queue SET token = '', leased_until = '-infinity', due = clock_timestamp() + $3::interval,
  attempts = attempts + 1, failing_since = coalesce(failing_since, clock_timestamp()), doubt = doubt OR $4,
  refused_at = NULL, code = $5, status = $6, details = $7, diagnostics = $8
WHERE destination = $1 AND episode = $2`
		empty = `DELETE FROM delivery_queue q WHERE q.destination = $1 AND q.episode = $2
  AND NOT EXISTS (SELECT 1 FROM delivery d WHERE d.destination = q.destination AND d.episode = q.episode)`
		done = `UPDATE delivery_queue SET token = '', leased_until = '-infinity', due = clock_timestamp() + $3::interval,
  attempts = 0, failing_since = NULL, doubt = false, overwrite = overwrite AND $4, refused_at = NULL
WHERE destination = $1 AND episode = $2`
	)
	r := x.Why
	switch {
	case x.Refused:
		batch.Queue(refuse, c.Destination, c.Episode, r.Code, r.Status, r.Details, r.Diagnostics)
	case x.Failed:
		batch.Queue(fail, c.Destination, c.Episode, x.Wait, x.Doubt, r.Code, r.Status, r.Details, r.Diagnostics)
	default:
		batch.Queue(empty, c.Destination, c.Episode)
		batch.Queue(done, c.Destination, c.Episode, x.Wait, len(x.Sent) == 0)
	}
}

// settleDestination lets the others try when this try was the one that asks whether the
// destination is back.
func settleDestination(batch *pgx.Batch, destination string, x store.DeliverySettlement) {
	const (
		away = `UPDATE destination SET attempts = attempts + 1, paused_until = clock_timestamp() + $2::interval WHERE name = $1`
		back = `UPDATE destination SET attempts = 0, paused_until = '-infinity',
  taken_at = CASE WHEN $2 THEN clock_timestamp() ELSE taken_at END
WHERE name = $1 AND (attempts > 0 OR $2 AND taken_at < clock_timestamp() - interval '1 second')`
		open = `UPDATE destination SET paused_until = '-infinity' WHERE name = $1 AND attempts > 0`
	)
	switch {
	case x.Away:
		batch.Queue(away, destination, x.Pause)
	case x.Failed, x.Refused:
		batch.Queue(back, destination, false) // it has answered
	case len(x.Sent) > 0:
		batch.Queue(back, destination, true)
	default:
		batch.Queue(open, destination)
	}
}

// deliveryQueueRow is a queue as it is listed.
type deliveryQueueRow struct {
	Destination, Episode, Code, Details, Diagnostics string
	Number                                           int64
	Waiting, Attempts, Status                        int
	Oldest                                           time.Time
	RefusedAt                                        *time.Time
}

// DeliveryQueues lists the queues in which something waits.
func (s *Store) DeliveryQueues(ctx context.Context) ([]store.DeliveryQueue, error) {
	const (
		op    = "delivery queues"
		query = `SELECT q.destination, q.number, q.episode, q.attempts, q.refused_at, q.code, q.status, q.details, q.diagnostics,
  d.waiting, d.oldest
FROM delivery_queue q JOIN (
  SELECT destination, episode, count(*) AS waiting, min(queued_at) AS oldest FROM delivery GROUP BY destination, episode
) d ON d.destination = q.destination AND d.episode = q.episode
ORDER BY q.destination, q.number`
	)
	rows, err := s.pool.Query(ctx, query)
	if err != nil {
		return nil, fault(op, err)
	}
	found, err := pgx.CollectRows(rows, pgx.RowToStructByName[deliveryQueueRow])
	return column(found, func(r deliveryQueueRow) store.DeliveryQueue {
		q := store.DeliveryQueue{
			Destination: r.Destination, Number: r.Number, Episode: r.Episode, Waiting: r.Waiting, Oldest: r.Oldest.UTC(), Attempts: r.Attempts,
			Refusal: store.Refusal{Code: r.Code, Status: r.Status, Details: r.Details, Diagnostics: r.Diagnostics},
		}
		if r.RefusedAt != nil {
			q.RefusedAt = r.RefusedAt.UTC()
		}
		return q
	}), fault(op, err)
}

// RetryDelivery has a queue tried again now.
func (s *Store) RetryDelivery(ctx context.Context, destination string, number int64, overwrite bool) error {
	const query = `UPDATE delivery_queue SET due = clock_timestamp(), attempts = 0, overwrite = $3 WHERE destination = $1 AND number = $2`
	return s.onQueue(ctx, "retry delivery", query, destination, number, overwrite)
}

// DropDelivery forgets what waits in a queue now. Both go in one statement; a claim that is
// under way settles nothing afterwards.
func (s *Store) DropDelivery(ctx context.Context, destination string, number int64) error {
	const query = `WITH q AS (DELETE FROM delivery_queue WHERE destination = $1 AND number = $2 RETURNING destination, episode)
DELETE FROM delivery d USING q WHERE d.destination = q.destination AND d.episode = q.episode`
	return s.onQueue(ctx, "drop delivery", query, destination, number)
}

func (s *Store) onQueue(ctx context.Context, op, query string, args ...any) error {
	tag, err := s.pool.Exec(ctx, query, args...)
	if err == nil && tag.RowsAffected() == 0 {
		return notFound(op, "such queue")
	}
	return fault(op, err)
}

// Backlogs says what waits for JetStream and for each destination.
func (s *Store) Backlogs(ctx context.Context) ([]store.Backlog, error) {
	const (
		op    = "backlogs"
		query = `SELECT * FROM (
SELECT 'jetstream' COLLATE "C" AS destination, count(*) AS waiting, min(queued_at) AS oldest, (SELECT count(*) FROM outbox_aside) AS refused
FROM outbox WHERE sent_at IS NULL
UNION ALL
SELECT n.name, coalesce(d.waiting, 0), d.oldest, (SELECT count(*) FROM delivery_queue q WHERE q.destination = n.name AND q.refused_at IS NOT NULL)
FROM destination n LEFT JOIN (
  SELECT destination, count(*) AS waiting, min(queued_at) AS oldest FROM delivery GROUP BY destination
) d ON d.destination = n.name
) b ORDER BY destination <> 'jetstream', destination`
	)
	rows, err := s.pool.Query(ctx, query)
	if err != nil {
		return nil, fault(op, err)
	}
	type backlog struct {
		Destination      string
		Waiting, Refused int
		Oldest           *time.Time
	}
	found, err := pgx.CollectRows(rows, pgx.RowToStructByName[backlog])
	return column(found, func(b backlog) store.Backlog {
		one := store.Backlog{Destination: b.Destination, Waiting: b.Waiting, Refused: b.Refused}
		if b.Oldest != nil {
			one.Oldest = b.Oldest.UTC()
		}
		return one
	}), fault(op, err)
}
