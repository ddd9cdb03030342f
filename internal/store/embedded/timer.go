package embedded

import (
	"context"
	"database/sql"
	"time"

	"fhirsvc/internal/store"
)

// ClaimDue leases episodes that are due and not leased, earliest first. The database's
// clock is this process's.
func (s *Store) ClaimDue(ctx context.Context, c store.Claim) ([]store.Due, error) {
	const (
		find = `SELECT id, due FROM episode
WHERE due <= ? AND (leased_until IS NULL OR leased_until <= ?) AND rules_version <= ? ORDER BY due, id LIMIT ?`
		take = `UPDATE episode SET leased_until = ? WHERE id = ?`
	)
	clock := time.Now()
	now := c.Now
	if now.IsZero() {
		now = clock
	}
	var claimed []store.Due
	err := s.writing(ctx, "claim due", func(tx *sql.Tx) error {
		rows, err := tx.QueryContext(ctx, find, micros(now), micros(clock), c.Rules, c.Limit)
		claimed, err = list(rows, err, func(r *sql.Rows) (d store.Due, err error) {
			var at int64
			err = r.Scan(&d.Episode, &at)
			d.At = instant(at)
			return d, err
		})
		for _, d := range claimed {
			if err == nil {
				_, err = tx.ExecContext(ctx, take, micros(clock.Add(c.Lease)), d.Episode)
			}
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	return claimed, nil
}

// NextDue gives the earliest due time, leased or not; ok is false if there is none.
func (s *Store) NextDue(ctx context.Context) (time.Time, bool, error) {
	var at sql.NullInt64
	err := s.read.QueryRowContext(ctx, `SELECT min(due) FROM episode WHERE due IS NOT NULL`).Scan(&at)
	return maybeInstant(at), at.Valid, fault("next due", err)
}

// Now gives this process's clock.
func (s *Store) Now(context.Context) (time.Time, error) {
	return time.Now().UTC().Truncate(time.Microsecond), nil
}
