package postgres

import (
	"cmp"
	"context"
	"slices"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
)

// AddDestination makes a destination known.
func (s *Store) AddDestination(ctx context.Context, name string) error {
	_, err := s.pool.Exec(ctx, `INSERT INTO destination (name) VALUES ($1) ON CONFLICT DO NOTHING`, name)
	return fault("add destination", err)
}

// EndDestination forgets a destination with all that waits for it.
func (s *Store) EndDestination(ctx context.Context, name string) error {
	const op = "end destination"
	err := pgx.BeginFunc(ctx, s.pool, func(tx pgx.Tx) error {
		tag, err := tx.Exec(ctx, `DELETE FROM destination WHERE name = $1`, name)
		if err == nil && tag.RowsAffected() == 0 {
			return notFound(op, "destination "+name)
		}
		for _, table := range []string{"delivery_queue", "delivery", "delivered"} {
			if err == nil {
				_, err = tx.Exec(ctx, `DELETE FROM `+table+` WHERE destination = $1`, name)
			}
		}
		return err
	})
	return fault(op, err)
}

// Destinations gives the names, in order.
func (s *Store) Destinations(ctx context.Context) ([]string, error) {
	names, err := destinationsOf(ctx, s.pool)
	return names, fault("destinations", err)
}

func destinationsOf(ctx context.Context, q querier) ([]string, error) {
	rows, err := q.Query(ctx, `SELECT name FROM destination ORDER BY name`)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowTo[string])
}

// queueDeliveries queues changes for each destination. A queue that waits to try again goes
// on waiting, one that was refused is tried with what is new. Queues are locked in one
// order, so that nobody waits for another in a circle.
func queueDeliveries(ctx context.Context, tx pgx.Tx, partition int, destinations []string, all []store.Delivery) error {
	const (
		queue = `INSERT INTO delivery_queue (destination, episode, partition, due)
SELECT d, e, $3, clock_timestamp() FROM unnest($1::text[]) d, unnest($2::text[]) e ORDER BY d, e
ON CONFLICT (destination, episode) DO UPDATE SET due = CASE
  WHEN delivery_queue.due IS NULL OR delivery_queue.refused_at IS NOT NULL THEN excluded.due ELSE delivery_queue.due END`
		keep = `INSERT INTO delivery (destination, episode, seq, change, type, id, version, queued_at)
SELECT d, c.episode, c.seq, c.change, c.type, c.id, c.version, coalesce(o.queued_at, now())
FROM unnest($1::text[]) d, unnest($2::text[], $3::bigint[], $4::bigint[], $5::text[], $6::text[], $7::bigint[])
  AS c (episode, seq, change, type, id, version) JOIN outbox o ON o.seq = c.seq`
	)
	if len(destinations)*len(all) == 0 {
		return nil
	}
	episodes := column(all, func(d store.Delivery) string { return d.Episode })
	keys := slices.Clone(episodes)
	slices.Sort(keys)
	batch := &pgx.Batch{}
	batch.Queue(queue, destinations, slices.Compact(keys), partition)
	batch.Queue(keep, destinations, episodes,
		column(all, func(d store.Delivery) int64 { return d.Seq }),
		column(all, func(d store.Delivery) int64 { return d.Change }),
		column(all, func(d store.Delivery) string { return d.Type }),
		column(all, func(d store.Delivery) string { return d.ID }),
		column(all, func(d store.Delivery) int64 { return d.Version }),
	)
	return send(ctx, tx, batch)
}

// deliveryClaim is a claim as it is taken.
type deliveryClaim struct {
	Episode                  string
	Attempts, Away           int
	Doubt, Overwrite, Others bool
	Due                      time.Time
}

// ClaimDeliveries leases queues that have something to deliver. The destination's row is
// locked first: while it is away one queue tries it, and the others wait for the end of
// that try.
func (s *Store) ClaimDeliveries(ctx context.Context, destination string, limit int, lease time.Duration) ([]store.DeliveryClaim, error) {
	const (
		op   = "claim deliveries"
		gate = `SELECT attempts FROM destination WHERE name = $1 AND paused_until <= clock_timestamp() FOR UPDATE`
		take = `WITH ready AS MATERIALIZED (
  SELECT q.episode, q.due FROM delivery_queue q
  WHERE q.destination = $1 AND q.due <= clock_timestamp() AND q.leased_until <= clock_timestamp()
  ORDER BY q.due, q.episode
  LIMIT $2
  FOR UPDATE OF q SKIP LOCKED
)
UPDATE delivery_queue q SET token = $3, leased_until = clock_timestamp() + $4, doubt = q.doubt OR q.token <> ''
FROM ready r, destination d WHERE q.destination = $1 AND q.episode = r.episode AND d.name = $1
RETURNING q.episode, q.attempts, d.attempts AS away, q.doubt, q.overwrite, coalesce(d.taken_at > q.failing_since, false) AS others, r.due`
		hold = `UPDATE destination SET paused_until = clock_timestamp() + $2 WHERE name = $1`
	)
	token := uuid.NewString()
	var taken []deliveryClaim
	err := pgx.BeginFunc(ctx, s.pool, func(tx pgx.Tx) error {
		rows, err := tx.Query(ctx, gate, destination)
		if err != nil {
			return err
		}
		attempts, err := pgx.CollectRows(rows, pgx.RowTo[int])
		if err != nil || len(attempts) == 0 {
			return err
		}
		away := attempts[0] > 0
		if away {
			limit = min(limit, 1)
		}
		if rows, err = tx.Query(ctx, take, destination, limit, token, lease); err != nil {
			return err
		}
		taken, err = pgx.CollectRows(rows, pgx.RowToStructByName[deliveryClaim])
		if err == nil && away && len(taken) > 0 {
			_, err = tx.Exec(ctx, hold, destination, lease)
		}
		return err
	})
	if err != nil {
		return nil, fault(op, err)
	}
	slices.SortFunc(taken, func(a, b deliveryClaim) int { return cmp.Or(a.Due.Compare(b.Due), cmp.Compare(a.Episode, b.Episode)) })
	return column(taken, func(c deliveryClaim) store.DeliveryClaim {
		return store.DeliveryClaim{
			Destination: destination, Episode: c.Episode, Token: token,
			Attempts: c.Attempts, Away: c.Away, Doubt: c.Doubt, Overwrite: c.Overwrite, Others: c.Others,
		}
	}), nil
}

// deliveryRow is a change that waits.
type deliveryRow struct {
	Seq, Change, Version int64
	Type, ID, Trace      string
	Open                 bool
}

// mostOfOne is more than one input ever changes.
const mostOfOne = 2000

// WaitingDeliveries gives the first changes of a claimed queue. Whether more of the last
// input may come is read in the same statement, so that both are of one instant.
func (s *Store) WaitingDeliveries(ctx context.Context, c store.DeliveryClaim, limit int) ([]store.Delivery, error) {
	const (
		op    = "waiting deliveries"
		query = `SELECT d.seq, d.change, d.type, d.id, d.version, coalesce(c.headers ->> 'traceparent', '') AS trace, EXISTS (
  SELECT 1 FROM outbox o WHERE o.partition = q.partition AND o.matched_at IS NULL AND o.episode = q.episode) AS open
FROM delivery_queue q JOIN delivery d ON d.destination = q.destination AND d.episode = q.episode
  LEFT JOIN outbox c ON c.seq = d.seq
WHERE q.destination = $1 AND q.episode = $2 AND q.token = $3 ORDER BY d.seq LIMIT $4`
	)
	rows, err := s.pool.Query(ctx, query, c.Destination, c.Episode, c.Token, limit+mostOfOne)
	if err != nil {
		return nil, fault(op, err)
	}
	found, err := pgx.CollectRows(rows, pgx.RowToStructByName[deliveryRow])
	if err != nil || len(found) == 0 {
		return nil, fault(op, err)
	}
	all := column(found, func(r deliveryRow) store.Delivery {
		return store.Delivery{Seq: r.Seq, Episode: c.Episode, Change: r.Change, Type: r.Type, ID: r.ID, Version: r.Version, Trace: r.Trace}
	})
	return store.WholeChanges(all, limit, found[0].Open), nil
}

// Copies gives what is known of resources at a destination.
func (s *Store) Copies(ctx context.Context, destination string, of []store.Copy) ([]store.Copy, error) {
	const query = `SELECT d.type, d.id, d.version, d.remote_id, d.remote_version, d.is_foreign AS "foreign"
FROM delivered d JOIN unnest($2::text[], $3::text[]) AS w (type, id) ON d.type = w.type AND d.id = w.id
WHERE d.destination = $1`
	rows, err := s.pool.Query(ctx, query, destination,
		column(of, func(c store.Copy) string { return c.Type }), column(of, func(c store.Copy) string { return c.ID }))
	if err != nil {
		return nil, fault("copies", err)
	}
	copies, err := pgx.CollectRows(rows, pgx.RowToStructByName[store.Copy])
	return copies, fault("copies", err)
}

func lostDelivery(op string, c store.DeliveryClaim) error {
	return outcome.Fail(outcome.CodeConflict, op, "the claim of episode %s at %s was lost", c.Episode, c.Destination)
}
