package embedded

import (
	"context"
	"database/sql"
	"time"

	"fhirsvc/internal/store"
)

// SettleDelivery ends a claim; conflict when it was lost.
func (s *Store) SettleDelivery(ctx context.Context, c store.DeliveryClaim, x store.DeliverySettlement) error {
	const (
		op   = "settle delivery"
		hold = `UPDATE delivery_queue SET token = '', leased_until = 0 WHERE destination = ? AND episode = ? AND token = ?`
		sent = `DELETE FROM delivery WHERE destination = ? AND episode = ? AND seq = ?`
		keep = `INSERT INTO delivered (destination, type, id, version, remote_id, remote_version, is_foreign) VALUES (?, ?, ?, ?, ?, ?, ?)
ON CONFLICT DO UPDATE SET version = excluded.version, remote_id = excluded.remote_id,
  remote_version = excluded.remote_version, is_foreign = excluded.is_foreign`
	)
	return s.writing(ctx, op, func(tx *sql.Tx) error {
		held, err := changed(tx.ExecContext(ctx, hold, c.Destination, c.Episode, c.Token))
		if err == nil && !held {
			err = lostDelivery(op, c)
		}
		for _, seq := range x.Sent {
			if err == nil {
				_, err = tx.ExecContext(ctx, sent, c.Destination, c.Episode, seq)
			}
		}
		for _, k := range x.Copies {
			if err == nil {
				_, err = tx.ExecContext(ctx, keep, c.Destination, k.Type, k.ID, k.Version, k.RemoteID, k.RemoteVersion, k.Foreign)
			}
		}
		if err == nil {
			err = settleQueue(ctx, tx, c, x)
		}
		if err == nil {
			err = settleDestination(ctx, tx, c.Destination, x)
		}
		return err
	})
}

func settleQueue(ctx context.Context, tx *sql.Tx, c store.DeliveryClaim, x store.DeliverySettlement) error {
	const (
		refuse = `UPDATE delivery_queue SET due = NULL, attempts = 0, failing_since = NULL, doubt = 0, overwrite = 0,
  refused_at = ?3, code = ?4, status = ?5, details = ?6, diagnostics = ?7
WHERE destination = ?1 AND episode = ?2`
		fail = `UPDATE delivery_queue SET due = ?3 + ?8, attempts = attempts + 1, failing_since = coalesce(failing_since, ?3), doubt = doubt OR ?9,
  refused_at = NULL, code = ?4, status = ?5, details = ?6, diagnostics = ?7
WHERE destination = ?1 AND episode = ?2`
		empty = `DELETE FROM delivery_queue AS q WHERE q.destination = ?1 AND q.episode = ?2
  AND NOT EXISTS (SELECT 1 FROM delivery d WHERE d.destination = q.destination AND d.episode = q.episode)`
		done = `UPDATE delivery_queue SET due = ?3 + ?4, attempts = 0, failing_since = NULL, doubt = 0, overwrite = overwrite AND ?5, refused_at = NULL
WHERE destination = ?1 AND episode = ?2`
	)
	r, clock := x.Why, micros(time.Now())
	var err error
	switch {
	case x.Refused:
		_, err = tx.ExecContext(ctx, refuse, c.Destination, c.Episode, clock, r.Code, r.Status, r.Details, r.Diagnostics)
	case x.Failed:
		_, err = tx.ExecContext(ctx, fail, c.Destination, c.Episode, clock, r.Code, r.Status, r.Details, r.Diagnostics, x.Wait.Microseconds(), x.Doubt)
	default:
		if _, err = tx.ExecContext(ctx, empty, c.Destination, c.Episode); err == nil {
			_, err = tx.ExecContext(ctx, done, c.Destination, c.Episode, clock, x.Wait.Microseconds(), len(x.Sent) == 0)
		}
	}
	return err
}

// settleDestination lets the others try when this try was the one that asks whether the
// destination is back.
func settleDestination(ctx context.Context, tx *sql.Tx, destination string, x store.DeliverySettlement) error {
	const (
		away = `UPDATE destination SET attempts = attempts + 1, paused_until = ?2 WHERE name = ?1`
		back = `UPDATE destination SET attempts = 0, paused_until = 0, taken_at = CASE WHEN ?3 THEN ?2 ELSE taken_at END WHERE name = ?1`
		open = `UPDATE destination SET paused_until = 0 WHERE name = ?1 AND attempts > 0`
	)
	clock := time.Now()
	var err error
	switch {
	case x.Away:
		_, err = tx.ExecContext(ctx, away, destination, micros(clock.Add(x.Pause)))
	case x.Failed, x.Refused, len(x.Sent) > 0: // it has answered
		_, err = tx.ExecContext(ctx, back, destination, micros(clock), !x.Failed && !x.Refused)
	default:
		_, err = tx.ExecContext(ctx, open, destination)
	}
	return err
}

// DeliveryQueues lists the queues in which something waits.
func (s *Store) DeliveryQueues(ctx context.Context) ([]store.DeliveryQueue, error) {
	const query = `SELECT q.destination, q.number, q.episode, count(*), min(d.queued_at), q.attempts, q.refused_at,
  q.code, q.status, q.details, q.diagnostics
FROM delivery_queue q JOIN delivery d ON d.destination = q.destination AND d.episode = q.episode
GROUP BY q.number ORDER BY q.destination, q.number`
	rows, err := s.read.QueryContext(ctx, query)
	all, err := list(rows, err, func(r *sql.Rows) (q store.DeliveryQueue, err error) {
		var oldest int64
		var refused sql.NullInt64
		why := &q.Refusal
		err = r.Scan(&q.Destination, &q.Number, &q.Episode, &q.Waiting, &oldest, &q.Attempts, &refused,
			&why.Code, &why.Status, &why.Details, &why.Diagnostics)
		q.Oldest, q.RefusedAt = instant(oldest), maybeInstant(refused)
		return q, err
	})
	return all, fault("delivery queues", err)
}

// RetryDelivery has a queue tried again now.
func (s *Store) RetryDelivery(ctx context.Context, destination string, number int64, overwrite bool) error {
	const query = `UPDATE delivery_queue SET due = ?3, attempts = 0, overwrite = ?4 WHERE destination = ?1 AND number = ?2`
	return s.onOne(ctx, "retry delivery", "such queue", query, destination, number, micros(time.Now()), overwrite)
}

// DropDelivery forgets what waits in a queue now.
func (s *Store) DropDelivery(ctx context.Context, destination string, number int64) error {
	const op = "drop delivery"
	return s.writing(ctx, op, func(tx *sql.Tx) error {
		const rows = `DELETE FROM delivery WHERE destination = ?1 AND episode = (
  SELECT episode FROM delivery_queue WHERE destination = ?1 AND number = ?2)`
		if _, err := tx.ExecContext(ctx, rows, destination, number); err != nil {
			return err
		}
		known, err := changed(tx.ExecContext(ctx, `DELETE FROM delivery_queue WHERE destination = ? AND number = ?`, destination, number))
		if err == nil && !known {
			return notFound(op, "such queue")
		}
		return err
	})
}

// onOne runs a statement that changes one row; not-found when there is none.
func (s *Store) onOne(ctx context.Context, op, what, query string, args ...any) error {
	known, err := changed(s.write.ExecContext(ctx, query, args...))
	if err == nil && !known {
		err = notFound(op, what)
	}
	return fault(op, err)
}

// Backlogs says what waits for JetStream and for each destination.
func (s *Store) Backlogs(ctx context.Context) ([]store.Backlog, error) {
	const query = `SELECT * FROM (
SELECT 'jetstream' AS name, count(*), min(queued_at), (SELECT count(*) FROM outbox_aside) FROM outbox WHERE sent_at IS NULL
UNION ALL
SELECT n.name, (SELECT count(*) FROM delivery d WHERE d.destination = n.name), (SELECT min(queued_at) FROM delivery d WHERE d.destination = n.name),
  (SELECT count(*) FROM delivery_queue q WHERE q.destination = n.name AND q.refused_at IS NOT NULL)
FROM destination n
) ORDER BY name <> 'jetstream', name`
	rows, err := s.read.QueryContext(ctx, query)
	all, err := list(rows, err, func(r *sql.Rows) (b store.Backlog, err error) {
		var oldest sql.NullInt64
		err = r.Scan(&b.Destination, &b.Waiting, &oldest, &b.Refused)
		b.Oldest = maybeInstant(oldest)
		return b, err
	})
	return all, fault("backlogs", err)
}
