package postgres

import (
	"cmp"
	"context"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"fhirsvc/internal/store"
)

// ClaimDue leases episodes that are due and not leased, earliest first. The database's
// clock ends the leases. Rows that another transaction holds are passed over: they are
// being claimed or changed.
func (s *Store) ClaimDue(ctx context.Context, c store.Claim) ([]store.Due, error) {
	const query = `WITH ready AS MATERIALIZED (
  SELECT id FROM episode
  WHERE due <= coalesce($1, clock_timestamp()) AND (leased_until IS NULL OR leased_until <= clock_timestamp())
    AND rules_version <= $4
  ORDER BY due, id
  LIMIT $2
  FOR UPDATE SKIP LOCKED
)
UPDATE episode e SET leased_until = clock_timestamp() + $3
FROM ready WHERE e.id = ready.id
RETURNING e.id AS episode, e.due AS at`
	rows, err := s.pool.Query(ctx, query, maybe(c.Now), c.Limit, c.Lease, c.Rules)
	if err != nil {
		return nil, fault("claim due", err)
	}
	claimed, err := pgx.CollectRows(rows, pgx.RowToStructByName[store.Due])
	slices.SortFunc(claimed, func(a, b store.Due) int {
		return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.Episode, b.Episode))
	})
	return claimed, fault("claim due", err)
}

// NextDue gives the earliest due time, leased or not; ok is false if there is none.
func (s *Store) NextDue(ctx context.Context) (time.Time, bool, error) {
	var at *time.Time
	err := s.pool.QueryRow(ctx, `SELECT min(due) FROM episode WHERE due IS NOT NULL`).Scan(&at)
	if err != nil || at == nil {
		return time.Time{}, false, fault("next due", err)
	}
	return *at, true, nil
}

// Now gives the database's clock.
func (s *Store) Now(ctx context.Context) (now time.Time, err error) {
	err = s.pool.QueryRow(ctx, `SELECT clock_timestamp()`).Scan(&now)
	return now, fault("now", err)
}

// maybe is an instant, NULL for the zero time.
func maybe(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	return &t
}
