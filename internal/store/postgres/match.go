package postgres

import (
	"context"
	"errors"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"fhirsvc/internal/store"
)

// MatchOutbox hands unmatched changes of one partition to match and queues what it gives. The
// partition's row is locked meanwhile, so that its changes are matched by one replica at a
// time, in order; the others pass it over. Where nobody listens, the changes of all partitions
// are marked by one statement.
func (s *Store) MatchOutbox(ctx context.Context, limit int, match store.Matcher) (n int, err error) {
	if n, heard, err := s.matchNobody(ctx); err != nil || !heard {
		return n, fault("match outbox", err)
	}
	options := pgx.TxOptions{IsoLevel: pgx.ReadCommitted}
	err = pgx.BeginTxFunc(ctx, s.pool, options, func(tx pgx.Tx) error {
		n, err = matchPartition(ctx, tx, limit, match)
		return err
	})
	return n, fault("match outbox", err)
}

// unheard is how many changes are marked at a time that nobody listens to.
const unheard = 10_000

// matchNobody marks changes if nobody listens; heard says that somebody does.
func (s *Store) matchNobody(ctx context.Context) (n int, heard bool, err error) {
	err = s.pool.QueryRow(ctx, passUnheard, unheard).Scan(&n, &heard)
	return n, heard, err
}

// passUnheard marks changes if nobody listens. Rows that are being marked as sent are passed
// over: they are marked as matched with it.
const passUnheard = `WITH nobody AS MATERIALIZED (SELECT ` + nobodyListens + ` AS listens), waiting AS MATERIALIZED (
  SELECT o.seq FROM outbox o WHERE o.matched_at IS NULL AND (SELECT listens FROM nobody) ORDER BY o.partition, o.seq LIMIT $1 FOR UPDATE SKIP LOCKED
), marked AS (
  UPDATE outbox o SET matched_at = clock_timestamp() FROM waiting WHERE o.seq = waiting.seq RETURNING 1
)
SELECT (SELECT count(*) FROM marked), NOT listens FROM nobody`

func matchPartition(ctx context.Context, tx pgx.Tx, limit int, match store.Matcher) (int, error) {
	const (
		turn = `UPDATE subscription_partition SET turn = clock_timestamp() WHERE partition = (
  SELECT p.partition FROM subscription_partition p
  WHERE EXISTS (SELECT 1 FROM outbox o WHERE o.partition = p.partition AND o.matched_at IS NULL)
  ORDER BY p.turn, p.partition
  LIMIT 1
  FOR UPDATE OF p SKIP LOCKED
) RETURNING partition`
		find = `SELECT seq, partition, episode, subject, message_id, headers, body
FROM outbox WHERE partition = $1 AND matched_at IS NULL ORDER BY seq LIMIT $2`
		mark = `UPDATE outbox SET matched_at = clock_timestamp() WHERE seq = ANY ($1)`
	)
	var partition int
	err := tx.QueryRow(ctx, turn).Scan(&partition)
	if errors.Is(err, pgx.ErrNoRows) {
		return 0, nil
	}
	if err != nil {
		return 0, err
	}
	rows, err := tx.Query(ctx, find, partition, limit)
	if err != nil {
		return 0, err
	}
	found, err := pgx.CollectRows(rows, pgx.RowToStructByName[outboxRow])
	if err != nil || len(found) == 0 {
		return 0, err
	}
	if err := tell(ctx, tx, partition, outboxRows(found), match); err != nil {
		return 0, err
	}
	_, err = tx.Exec(ctx, mark, column(found, func(r outboxRow) int64 { return r.Seq }))
	return len(found), err
}

// tell asks match about changes. Subscriptions and destinations are read after the changes,
// so that one that was there when a change was made is there now.
func tell(ctx context.Context, tx pgx.Tx, partition int, changes []store.OutboxRow, match store.Matcher) error {
	rows, err := tx.Query(ctx, `SELECT `+subscriptionColumns+` FROM subscription s WHERE s.status <> 'off' ORDER BY s.id`)
	if err != nil {
		return err
	}
	live, err := pgx.CollectRows(rows, pgx.RowToStructByName[subscriptionRow])
	if err != nil {
		return err
	}
	destinations, err := destinationsOf(ctx, tx)
	if err != nil || len(live)+len(destinations) == 0 {
		return err
	}
	matched, err := match(ctx, changes, column(live, subscriptionRow.queue))
	if err != nil {
		return err
	}
	if len(matched.Events) > 0 {
		if err := queueEvents(ctx, tx, matched.Events); err != nil {
			return err
		}
	}
	return queueDeliveries(ctx, tx, partition, destinations, matched.Deliveries)
}

// queueEvents numbers events and wakes their Subscriptions, but not those that wait to
// try again. Their rows are locked in order of id, so that two replicas never wait for
// each other in a circle.
func queueEvents(ctx context.Context, tx pgx.Tx, events []store.SubscriptionEvent) error {
	const (
		lock = `SELECT s.id, s.events FROM subscription s WHERE s.id = ANY ($1) AND s.status <> 'off' ORDER BY s.id FOR UPDATE`
		keep = `INSERT INTO subscription_event (subscription, number, type, id, version, at)
SELECT * FROM unnest($1::text[], $2::bigint[], $3::text[], $4::text[], $5::bigint[], $6::timestamptz[])`
		count = `UPDATE subscription s SET events = n.events,
  due = CASE WHEN s.status IN ('requested', 'active') AND s.attempts = 0 THEN clock_timestamp() ELSE s.due END
FROM unnest($1::text[], $2::bigint[]) AS n (id, events) WHERE s.id = n.id`
	)
	ids := column(events, func(e store.SubscriptionEvent) string { return e.Subscription })
	slices.Sort(ids)
	ids = slices.Compact(ids)
	rows, err := tx.Query(ctx, lock, ids)
	if err != nil {
		return err
	}
	last := map[string]int64{}
	var id string
	var n int64
	if _, err = pgx.ForEachRow(rows, []any{&id, &n}, func() error { last[id] = n; return nil }); err != nil {
		return err
	}
	live := func(id string) bool { _, ok := last[id]; return ok }
	events = slices.DeleteFunc(slices.Clone(events), func(e store.SubscriptionEvent) bool { return !live(e.Subscription) })
	ids = slices.DeleteFunc(ids, func(id string) bool { return !live(id) })
	for i := range events {
		last[events[i].Subscription]++
		events[i].Number = last[events[i].Subscription]
	}
	batch := &pgx.Batch{}
	batch.Queue(keep,
		column(events, func(e store.SubscriptionEvent) string { return e.Subscription }),
		column(events, func(e store.SubscriptionEvent) int64 { return e.Number }),
		column(events, func(e store.SubscriptionEvent) string { return e.Type }),
		column(events, func(e store.SubscriptionEvent) string { return e.ID }),
		column(events, func(e store.SubscriptionEvent) int64 { return e.Version }),
		column(events, func(e store.SubscriptionEvent) time.Time { return e.At }),
	)
	batch.Queue(count, ids, column(ids, func(id string) int64 { return last[id] }))
	return send(ctx, tx, batch)
}
