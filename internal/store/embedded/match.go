package embedded

import (
	"context"
	"database/sql"
	"time"

	"fhirsvc/internal/store"
)

// MatchOutbox hands unmatched changes to match and queues what it gives.
func (s *Store) MatchOutbox(ctx context.Context, limit int, match store.Matcher) (int, error) {
	const (
		find = `SELECT seq, episode, partition, subject, message_id, headers, body
FROM outbox WHERE matched_at IS NULL ORDER BY seq LIMIT ?`
		live = `SELECT ` + subscriptionColumns + ` FROM subscription WHERE status <> 'off' ORDER BY id`
		mark = `UPDATE outbox SET matched_at = ? WHERE seq = ?`
	)
	idle, err := s.allMatched(ctx)
	if err != nil || idle {
		return 0, err
	}
	n := 0
	err = s.writing(ctx, "match outbox", func(tx *sql.Tx) error {
		rows, err := tx.QueryContext(ctx, find, limit)
		changes, err := list(rows, err, scanOutbox)
		if err != nil {
			return err
		}
		n = len(changes)
		rows, err = tx.QueryContext(ctx, live)
		subscriptions, err := list(rows, err, scanSubscription)
		if err != nil {
			return err
		}
		destinations, err := destinationsOf(ctx, tx)
		if err != nil {
			return err
		}
		if len(subscriptions)+len(destinations) > 0 {
			matched, err := match(ctx, changes, subscriptions)
			if err == nil {
				err = queueEvents(ctx, tx, matched.Events)
			}
			if err == nil {
				err = queueDeliveries(ctx, tx, destinations, matched.Deliveries)
			}
			if err != nil {
				return err
			}
		}
		for _, c := range changes {
			if _, err := tx.ExecContext(ctx, mark, micros(time.Now()), c.Seq); err != nil {
				return err
			}
		}
		return nil
	})
	return n, err
}

// allMatched looks without taking the write lock, so that looking costs nobody anything.
func (s *Store) allMatched(ctx context.Context) (bool, error) {
	var waits bool
	err := s.read.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM outbox WHERE matched_at IS NULL)`).Scan(&waits)
	return !waits, fault("match outbox", err)
}

// queueEvents numbers events and wakes their Subscriptions, but not those that wait to
// try again.
func queueEvents(ctx context.Context, tx *sql.Tx, events []store.SubscriptionEvent) error {
	const (
		count = `UPDATE subscription SET events = events + 1,
  due = CASE WHEN status IN ('requested', 'active') AND attempts = 0 THEN ? ELSE due END
WHERE id = ? AND status <> 'off'`
		keep = `INSERT INTO subscription_event (subscription, number, type, id, version, at, queued_at)
SELECT id, events, ?, ?, ?, ?, ? FROM subscription WHERE id = ?`
	)
	clock := micros(time.Now())
	for _, e := range events {
		counted, err := changed(tx.ExecContext(ctx, count, clock, e.Subscription))
		if err == nil && counted {
			_, err = tx.ExecContext(ctx, keep, e.Type, e.ID, e.Version, micros(e.At), clock, e.Subscription)
		}
		if err != nil {
			return err
		}
	}
	return nil
}
