package postgres

import (
	"cmp"
	"context"
	"errors"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
)

const subscriptionColumns = `s.id, s.version, s.status, s.owner, s.units, s.all_units, s.heartbeat, s.lease, s.ends_at, s.events, s.sent`

// subscriptionRow is a row of subscription.
type subscriptionRow struct {
	ID, Status, Owner string
	Version           int64
	Units             []string
	All               bool `db:"all_units"`
	Heartbeat, Lease  time.Duration
	End               *time.Time `db:"ends_at"`
	Events, Sent      int64
}

func (r subscriptionRow) queue() store.Subscription {
	q := store.Subscription{
		ID: r.ID, Version: r.Version, Status: r.Status, Owner: r.Owner, Units: r.Units, All: r.All, Heartbeat: r.Heartbeat, Lease: r.Lease,
		Events: r.Events, Sent: r.Sent,
	}
	if r.End != nil {
		q.End = *r.End
	}
	return q
}

// claimRow is a claim as it is taken.
type claimRow struct {
	subscriptionRow
	Fence    int64
	Slow     bool
	Attempts int
	Failing  time.Duration
	Ended    bool
	Due      *time.Time
}

// queueSubscriptions sets what new versions of Subscriptions say. They start anew, but
// numbers, what was taken and a living claim stay. Ahead of it what nobody has heard is marked, so
// that the first one is not told of it; that is right even if something stands against its changeset.
func (w *writing) queueSubscriptions(batch *pgx.Batch) {
	const query = `INSERT INTO subscription (id, status, owner, units, all_units, heartbeat, lease, ends_at, version, due)
SELECT $2, $3, $4, $5, $6, $7, $8, $9, $10, CASE WHEN $3 IN ('requested', 'active') THEN clock_timestamp() END
FROM (VALUES ($1::integer)) AS n (place) WHERE ` + stands + `
ON CONFLICT (id) DO UPDATE SET version = excluded.version, status = excluded.status, owner = excluded.owner, units = excluded.units,
  all_units = excluded.all_units, heartbeat = excluded.heartbeat, lease = excluded.lease, ends_at = excluded.ends_at,
  due = excluded.due, attempts = 0, failing_since = NULL`
	if len(w.subscriptions) > 0 {
		batch.Queue(passUnheard, unheard)
	}
	for _, s := range w.subscriptions {
		q := s.row
		units := q.Units
		if units == nil {
			units = []string{}
		}
		batch.Queue(query, s.place, q.ID, q.Status, q.Owner, units, q.All, q.Heartbeat, q.Lease, maybe(q.End), q.Version)
	}
}

// ClaimSubscriptions leases Subscriptions for which there is something to do. Rows that
// another transaction holds are passed over.
func (s *Store) ClaimSubscriptions(ctx context.Context, now time.Time, fast, slow int) ([]store.SubscriptionClaim, error) {
	const (
		op    = "claim subscriptions"
		query = `WITH clock AS MATERIALIZED (SELECT coalesce($1, clock_timestamp()) AS now), ready AS MATERIALIZED (
  SELECT q.id, c.now FROM subscription q, clock c
  WHERE q.status <> 'off' AND (q.due <= c.now OR q.ends_at <= c.now) AND q.leased_until <= c.now AND q.slow = $2
  ORDER BY q.due, q.id
  LIMIT $3
  FOR UPDATE OF q SKIP LOCKED
)
UPDATE subscription s SET fence = s.fence + 1, leased_until = r.now + s.lease
FROM ready r WHERE s.id = r.id
RETURNING ` + subscriptionColumns + `, s.fence, s.slow, s.attempts, s.due,
  coalesce(r.now - s.failing_since, '0') AS failing, coalesce(s.ends_at <= r.now, false) AS ended`
	)
	var all []store.SubscriptionClaim
	for _, lane := range []struct {
		slow  bool
		limit int
	}{{false, fast}, {true, slow}} {
		if lane.limit <= 0 {
			continue
		}
		rows, err := s.pool.Query(ctx, query, maybe(now), lane.slow, lane.limit)
		if err != nil {
			return nil, fault(op, err)
		}
		taken, err := pgx.CollectRows(rows, pgx.RowToStructByName[claimRow])
		if err != nil {
			return nil, fault(op, err)
		}
		slices.SortFunc(taken, earlier)
		for _, t := range taken {
			all = append(all, store.SubscriptionClaim{
				Subscription: t.queue(), Fence: t.Fence, Slow: t.Slow, Attempts: t.Attempts, Failing: t.Failing, Ended: t.Ended,
			})
		}
	}
	return all, nil
}

// earlier puts who has waited longest first; who only ended waits for nothing.
func earlier(a, b claimRow) int {
	if a.Due == nil || b.Due == nil {
		return cmp.Compare(a.ID, b.ID)
	}
	return cmp.Or(a.Due.Compare(*b.Due), cmp.Compare(a.ID, b.ID))
}

// SettleSubscription ends a claim; conflict when it was lost.
func (s *Store) SettleSubscription(ctx context.Context, now time.Time, c store.SubscriptionClaim, x store.Settlement) error {
	const (
		op   = "settle subscription"
		fail = `UPDATE subscription SET leased_until = '-infinity', slow = $3, attempts = attempts + 1,
  failing_since = coalesce(failing_since, $4, clock_timestamp()),
  due = CASE WHEN status IN ('requested', 'active') THEN coalesce($4, clock_timestamp()) + $5::interval END
WHERE id = $1 AND fence = $2`
		done = `UPDATE subscription SET leased_until = '-infinity', slow = $3, attempts = 0, failing_since = NULL, sent = greatest(sent, $5),
  due = CASE WHEN status = 'requested' OR status = 'active' AND events > greatest(sent, $5) THEN coalesce($4, clock_timestamp())
    WHEN status = 'active' AND heartbeat > '0' THEN coalesce($4, clock_timestamp()) + heartbeat END
WHERE id = $1 AND fence = $2`
	)
	query, last := done, any(x.Sent)
	if x.Failed {
		query, last = fail, x.Wait
	}
	tag, err := s.pool.Exec(ctx, query, c.ID, c.Fence, x.Slow, maybe(now), last)
	if err == nil && tag.RowsAffected() == 0 {
		err = outcome.Fail(outcome.CodeConflict, op, "the claim of Subscription %s was lost", c.ID)
	}
	return fault(op, err)
}

// Subscription gives a queue; not-found if there is none.
func (s *Store) Subscription(ctx context.Context, id string) (store.Subscription, error) {
	const op = "subscription"
	rows, err := s.pool.Query(ctx, `SELECT `+subscriptionColumns+` FROM subscription s WHERE s.id = $1`, id)
	if err != nil {
		return store.Subscription{}, fault(op, err)
	}
	row, err := pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[subscriptionRow])
	if errors.Is(err, pgx.ErrNoRows) {
		return store.Subscription{}, notFound(op, "Subscription/"+id)
	}
	return row.queue(), fault(op, err)
}

// SubscriptionEvents gives the events from one number to another, both included.
func (s *Store) SubscriptionEvents(ctx context.Context, id string, from, to int64, limit int) ([]store.SubscriptionEvent, error) {
	const query = `SELECT e.subscription, e.number, e.type, e.id, e.version, e.at, coalesce(o.headers ->> 'traceparent', '') AS trace
FROM subscription_event e LEFT JOIN outbox o ON o.message_id = e.type || '/' || e.id || '/' || e.version
WHERE e.subscription = $1 AND e.number BETWEEN $2 AND $3 ORDER BY e.number LIMIT $4`
	rows, err := s.pool.Query(ctx, query, id, from, to, limit)
	if err != nil {
		return nil, fault("subscription events", err)
	}
	events, err := pgx.CollectRows(rows, pgx.RowToStructByName[store.SubscriptionEvent])
	return events, fault("subscription events", err)
}

// ForgetEvents removes events that were queued before an instant and gives their number.
func (s *Store) ForgetEvents(ctx context.Context, before time.Time) (int, error) {
	tag, err := s.pool.Exec(ctx, `DELETE FROM subscription_event WHERE queued_at < $1`, before)
	return int(tag.RowsAffected()), fault("forget events", err)
}
