package postgres

import (
	"context"
	"time"
)

// toldVersions is the setting that a restore raises.
const toldVersions = "told-versions"

// Settled gives the highest position that was stored of a stream; 0 if none.
func (s *Store) Settled(ctx context.Context, stream time.Time) (n int64, err error) {
	err = s.pool.QueryRow(ctx, `SELECT coalesce(max(settled), 0) FROM inbox WHERE stream = $1`, stream).Scan(&n)
	return n, fault("settled", err)
}

// Newest gives the highest version of any resource and when the last one was written.
func (s *Store) Newest(ctx context.Context) (version int64, at time.Time, err error) {
	var last *time.Time
	err = s.pool.QueryRow(ctx, `SELECT coalesce(max(version), 0), max(updated) FROM resource`).Scan(&version, &last)
	if last != nil {
		at = *last
	}
	return version, at, fault("newest", err)
}

// RaiseVersions remembers up to which number versions may have been told.
func (s *Store) RaiseVersions(ctx context.Context, told int64) error {
	const query = `INSERT INTO setting (name, value) VALUES ($1, $2::bigint::text)
ON CONFLICT (name) DO UPDATE SET value = greatest(setting.value::bigint, excluded.value::bigint)::text`
	_, err := s.pool.Exec(ctx, query, toldVersions, told)
	return fault("raise versions", err)
}

// ToldVersions gives what was remembered; 0 before any restore.
func (s *Store) ToldVersions(ctx context.Context) (told int64, err error) {
	err = s.pool.QueryRow(ctx, `SELECT coalesce(max(value::bigint), 0) FROM setting WHERE name = $1`, toldVersions).Scan(&told)
	return told, fault("told versions", err)
}
