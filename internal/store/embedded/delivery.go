package embedded

import (
	"context"
	"database/sql"
	"time"

	"github.com/google/uuid"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
)

// AddDestination makes a destination known.
func (s *Store) AddDestination(ctx context.Context, name string) error {
	_, err := s.write.ExecContext(ctx, `INSERT INTO destination (name) VALUES (?) ON CONFLICT DO NOTHING`, name)
	return fault("add destination", err)
}

// EndDestination forgets a destination with all that waits for it.
func (s *Store) EndDestination(ctx context.Context, name string) error {
	const op = "end destination"
	return s.writing(ctx, op, func(tx *sql.Tx) error {
		known, err := changed(tx.ExecContext(ctx, `DELETE FROM destination WHERE name = ?`, name))
		if err == nil && !known {
			return notFound(op, "destination "+name)
		}
		for _, table := range []string{"delivery_queue", "delivery", "delivered"} {
			if err == nil {
				_, err = tx.ExecContext(ctx, `DELETE FROM `+table+` WHERE destination = ?`, name)
			}
		}
		return err
	})
}

// Destinations gives the names, in order.
func (s *Store) Destinations(ctx context.Context) ([]string, error) {
	names, err := destinationsOf(ctx, s.read)
	return names, fault("destinations", err)
}

// lister is what can ask for rows.
type lister interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
}

func destinationsOf(ctx context.Context, q lister) ([]string, error) {
	rows, err := q.QueryContext(ctx, `SELECT name FROM destination ORDER BY name`)
	return list(rows, err, func(r *sql.Rows) (name string, err error) {
		err = r.Scan(&name)
		return name, err
	})
}

// queueDeliveries queues changes for each destination. A queue that waits to try again goes
// on waiting, one that was refused is tried with what is new.
func queueDeliveries(ctx context.Context, tx *sql.Tx, destinations []string, all []store.Delivery) error {
	const (
		queue = `INSERT INTO delivery_queue (destination, episode, due) VALUES (?, ?, ?)
ON CONFLICT (destination, episode) DO UPDATE SET due = CASE
  WHEN due IS NULL OR refused_at IS NOT NULL THEN excluded.due ELSE due END`
		keep = `INSERT INTO delivery (destination, episode, seq, change, type, id, version, queued_at)
SELECT ?1, ?2, seq, ?4, ?5, ?6, ?7, coalesce(queued_at, ?8) FROM outbox WHERE seq = ?3`
	)
	clock := micros(time.Now())
	for _, to := range destinations {
		for _, d := range all {
			_, err := tx.ExecContext(ctx, queue, to, d.Episode, clock)
			if err == nil {
				_, err = tx.ExecContext(ctx, keep, to, d.Episode, d.Seq, d.Change, d.Type, d.ID, d.Version, clock)
			}
			if err != nil {
				return err
			}
		}
	}
	return nil
}

// ClaimDeliveries leases queues that have something to deliver. While the destination is
// away one queue tries it, and the others wait for the end of that try.
func (s *Store) ClaimDeliveries(ctx context.Context, destination string, limit int, lease time.Duration) ([]store.DeliveryClaim, error) {
	const (
		gate = `SELECT attempts, taken_at FROM destination WHERE name = ? AND paused_until <= ?`
		find = `SELECT episode, attempts, doubt OR token <> '', overwrite, coalesce(?3 > failing_since, 0) FROM delivery_queue
WHERE destination = ?1 AND due <= ?2 AND leased_until <= ?2 ORDER BY due, episode LIMIT ?4`
		take = `UPDATE delivery_queue SET doubt = doubt OR token <> '', token = ?, leased_until = ? WHERE destination = ? AND episode = ?`
		hold = `UPDATE destination SET paused_until = ? WHERE name = ?`
	)
	token, clock := uuid.NewString(), time.Now()
	var taken []store.DeliveryClaim
	err := s.writing(ctx, "claim deliveries", func(tx *sql.Tx) error {
		type state struct{ attempts, taken int64 }
		rows, err := tx.QueryContext(ctx, gate, destination, micros(clock))
		open, err := list(rows, err, func(r *sql.Rows) (g state, err error) {
			err = r.Scan(&g.attempts, &g.taken)
			return g, err
		})
		if err != nil || len(open) == 0 {
			return err
		}
		away := open[0].attempts > 0
		if away {
			limit = min(limit, 1)
		}
		rows, err = tx.QueryContext(ctx, find, destination, micros(clock), open[0].taken, limit)
		taken, err = list(rows, err, func(r *sql.Rows) (store.DeliveryClaim, error) {
			c := store.DeliveryClaim{Destination: destination, Token: token, Away: int(open[0].attempts)}
			err := r.Scan(&c.Episode, &c.Attempts, &c.Doubt, &c.Overwrite, &c.Others)
			return c, err
		})
		for _, c := range taken {
			if err == nil {
				_, err = tx.ExecContext(ctx, take, token, micros(clock.Add(lease)), destination, c.Episode)
			}
		}
		if err == nil && away && len(taken) > 0 {
			_, err = tx.ExecContext(ctx, hold, micros(clock.Add(lease)), destination)
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	return taken, nil
}

// mostOfOne is more than one input ever changes.
const mostOfOne = 2000

// WaitingDeliveries gives the first changes of a claimed queue.
func (s *Store) WaitingDeliveries(ctx context.Context, c store.DeliveryClaim, limit int) ([]store.Delivery, error) {
	const query = `SELECT d.seq, d.change, d.type, d.id, d.version, coalesce(c.headers ->> 'traceparent', ''),
  EXISTS (SELECT 1 FROM outbox o WHERE o.matched_at IS NULL AND o.episode = q.episode)
FROM delivery_queue q JOIN delivery d ON d.destination = q.destination AND d.episode = q.episode
  LEFT JOIN outbox c ON c.seq = d.seq
WHERE q.destination = ? AND q.episode = ? AND q.token = ? ORDER BY d.seq LIMIT ?`
	open := false
	rows, err := s.read.QueryContext(ctx, query, c.Destination, c.Episode, c.Token, limit+mostOfOne)
	all, err := list(rows, err, func(r *sql.Rows) (store.Delivery, error) {
		d := store.Delivery{Episode: c.Episode}
		err := r.Scan(&d.Seq, &d.Change, &d.Type, &d.ID, &d.Version, &d.Trace, &open)
		return d, err
	})
	return store.WholeChanges(all, limit, open), fault("waiting deliveries", err)
}

// Copies gives what is known of resources at a destination.
func (s *Store) Copies(ctx context.Context, destination string, of []store.Copy) ([]store.Copy, error) {
	const query = `SELECT type, id, version, remote_id, remote_version, is_foreign FROM delivered
WHERE destination = ? AND type = ? AND id = ?`
	var all []store.Copy
	for _, o := range of {
		rows, err := s.read.QueryContext(ctx, query, destination, o.Type, o.ID)
		found, err := list(rows, err, func(r *sql.Rows) (c store.Copy, err error) {
			err = r.Scan(&c.Type, &c.ID, &c.Version, &c.RemoteID, &c.RemoteVersion, &c.Foreign)
			return c, err
		})
		if err != nil {
			return nil, fault("copies", err)
		}
		all = append(all, found...)
	}
	return all, nil
}

func lostDelivery(op string, c store.DeliveryClaim) error {
	return outcome.Fail(outcome.CodeConflict, op, "the claim of episode %s at %s was lost", c.Episode, c.Destination)
}
