package embedded

import (
	"context"
	"database/sql"
	"encoding/json"
	"time"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
)

const subscriptionColumns = `id, version, status, owner, units, all_units, heartbeat, lease, ends_at, events, sent`

// putSubscription sets what a new version of a Subscription says. It starts anew, but
// numbers, what was taken and a living claim stay. What nobody has heard is told to nobody.
func putSubscription(ctx context.Context, tx *sql.Tx, q *store.Subscription) error {
	const (
		unheard = `UPDATE outbox SET matched_at = ? WHERE matched_at IS NULL
  AND NOT EXISTS (SELECT 1 FROM subscription WHERE status <> 'off') AND NOT EXISTS (SELECT 1 FROM destination)`
		query = `INSERT INTO subscription (id, status, owner, units, all_units, heartbeat, lease, ends_at, due, version)
VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, CASE WHEN ?2 IN ('requested', 'active') THEN ?9 END, ?10)
ON CONFLICT (id) DO UPDATE SET version = excluded.version, status = excluded.status, owner = excluded.owner, units = excluded.units,
  all_units = excluded.all_units, heartbeat = excluded.heartbeat, lease = excluded.lease, ends_at = excluded.ends_at,
  due = excluded.due, attempts = 0, failing_since = NULL`
	)
	if _, err := tx.ExecContext(ctx, unheard, micros(time.Now())); err != nil {
		return err
	}
	units, err := json.Marshal(q.Units)
	if err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, query, q.ID, q.Status, q.Owner, string(units), q.All,
		q.Heartbeat.Microseconds(), q.Lease.Microseconds(), maybeMicros(q.End), micros(time.Now()), q.Version)
	return err
}

// ClaimSubscriptions leases Subscriptions for which there is something to do.
func (s *Store) ClaimSubscriptions(ctx context.Context, now time.Time, fast, slow int) ([]store.SubscriptionClaim, error) {
	const (
		find = `SELECT ` + subscriptionColumns + `, fence + 1, slow, attempts, coalesce(?1 - failing_since, 0), coalesce(ends_at <= ?1, 0)
FROM subscription
WHERE status <> 'off' AND (due <= ?1 OR ends_at <= ?1) AND leased_until <= ?1 AND slow = ?2
ORDER BY due, id LIMIT ?3`
		take = `UPDATE subscription SET fence = ?, leased_until = ? + lease WHERE id = ?`
	)
	at := micros(orNow(now))
	var all []store.SubscriptionClaim
	err := s.writing(ctx, "claim subscriptions", func(tx *sql.Tx) error {
		for _, lane := range []struct {
			slow  bool
			limit int
		}{{false, fast}, {true, slow}} {
			rows, err := tx.QueryContext(ctx, find, at, lane.slow, lane.limit)
			claimed, err := list(rows, err, scanClaim)
			if err != nil {
				return err
			}
			all = append(all, claimed...)
		}
		for _, c := range all {
			if _, err := tx.ExecContext(ctx, take, c.Fence, at, c.ID); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return all, nil
}

// SettleSubscription ends a claim; conflict when it was lost.
func (s *Store) SettleSubscription(ctx context.Context, now time.Time, c store.SubscriptionClaim, x store.Settlement) error {
	const (
		op   = "settle subscription"
		fail = `UPDATE subscription SET leased_until = 0, slow = ?3, attempts = attempts + 1,
  failing_since = coalesce(failing_since, ?4), due = CASE WHEN status IN ('requested', 'active') THEN ?4 + ?5 END
WHERE id = ?1 AND fence = ?2`
		done = `UPDATE subscription SET leased_until = 0, slow = ?3, attempts = 0, failing_since = NULL, sent = max(sent, ?5),
  due = CASE WHEN status = 'requested' OR status = 'active' AND events > max(sent, ?5) THEN ?4
    WHEN status = 'active' AND heartbeat > 0 THEN ?4 + heartbeat END
WHERE id = ?1 AND fence = ?2`
	)
	query, last := done, x.Sent
	if x.Failed {
		query, last = fail, x.Wait.Microseconds()
	}
	held, err := changed(s.write.ExecContext(ctx, query, c.ID, c.Fence, x.Slow, micros(orNow(now)), last))
	if err == nil && !held {
		err = outcome.Fail(outcome.CodeConflict, op, "the claim of Subscription %s was lost", c.ID)
	}
	return fault(op, err)
}

// Subscription gives a queue; not-found if there is none.
func (s *Store) Subscription(ctx context.Context, id string) (store.Subscription, error) {
	rows, err := s.read.QueryContext(ctx, `SELECT `+subscriptionColumns+` FROM subscription WHERE id = ?`, id)
	found, err := list(rows, err, scanSubscription)
	if err == nil && len(found) == 0 {
		err = notFound("subscription", "Subscription/"+id)
	}
	if err != nil {
		return store.Subscription{}, fault("subscription", err)
	}
	return found[0], nil
}

// SubscriptionEvents gives the events from one number to another, both included.
func (s *Store) SubscriptionEvents(ctx context.Context, id string, from, to int64, limit int) ([]store.SubscriptionEvent, error) {
	const query = `SELECT e.subscription, e.number, e.type, e.id, e.version, e.at, coalesce(o.headers ->> 'traceparent', '')
FROM subscription_event e LEFT JOIN outbox o ON o.message_id = e.type || '/' || e.id || '/' || e.version
WHERE e.subscription = ? AND e.number BETWEEN ? AND ? ORDER BY e.number LIMIT ?`
	rows, err := s.read.QueryContext(ctx, query, id, from, to, limit)
	events, err := list(rows, err, func(r *sql.Rows) (e store.SubscriptionEvent, err error) {
		var at int64
		err = r.Scan(&e.Subscription, &e.Number, &e.Type, &e.ID, &e.Version, &at, &e.Trace)
		e.At = instant(at)
		return e, err
	})
	return events, fault("subscription events", err)
}

// ForgetEvents removes events that were queued before an instant and gives their number.
func (s *Store) ForgetEvents(ctx context.Context, before time.Time) (int, error) {
	done, err := s.write.ExecContext(ctx, `DELETE FROM subscription_event WHERE queued_at < ?`, micros(before))
	if err != nil {
		return 0, fault("forget events", err)
	}
	n, err := done.RowsAffected()
	return int(n), fault("forget events", err)
}

func orNow(t time.Time) time.Time {
	if t.IsZero() {
		return time.Now()
	}
	return t
}

func scanClaim(r *sql.Rows) (c store.SubscriptionClaim, err error) {
	var failing int64
	c.Subscription, err = scanAfter(r, &c.Fence, &c.Slow, &c.Attempts, &failing, &c.Ended)
	c.Failing = time.Duration(failing) * time.Microsecond
	return c, err
}

func scanSubscription(r *sql.Rows) (store.Subscription, error) { return scanAfter(r) }

// scanAfter reads a Subscription and the columns behind it.
func scanAfter(r *sql.Rows, rest ...any) (q store.Subscription, err error) {
	var units []byte
	var heartbeat, lease int64
	var end sql.NullInt64
	into := []any{&q.ID, &q.Version, &q.Status, &q.Owner, &units, &q.All, &heartbeat, &lease, &end, &q.Events, &q.Sent}
	if err := r.Scan(append(into, rest...)...); err != nil {
		return q, err
	}
	q.Heartbeat, q.Lease, q.End = time.Duration(heartbeat)*time.Microsecond, time.Duration(lease)*time.Microsecond, maybeInstant(end)
	return q, json.Unmarshal(units, &q.Units)
}
