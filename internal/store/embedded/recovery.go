package embedded

import (
	"context"
	"database/sql"
	"time"
)

// toldVersions is the setting that a restore raises.
const toldVersions = "told-versions"

// Settled gives the highest position that was stored of a stream; 0 if none.
func (s *Store) Settled(ctx context.Context, stream time.Time) (n int64, err error) {
	err = s.read.QueryRowContext(ctx, `SELECT coalesce(max(settled), 0) FROM inbox WHERE stream = ?`, micros(stream)).Scan(&n)
	return n, fault("settled", err)
}

// Newest gives the highest version of any resource and when the last one was written.
func (s *Store) Newest(ctx context.Context) (version int64, at time.Time, err error) {
	var last sql.NullInt64
	err = s.read.QueryRowContext(ctx, `SELECT coalesce(max(version), 0), max(updated) FROM resource`).Scan(&version, &last)
	return version, maybeInstant(last), fault("newest", err)
}

// RaiseVersions remembers up to which number versions may have been told.
func (s *Store) RaiseVersions(ctx context.Context, told int64) error {
	return s.writing(ctx, "raise versions", func(tx *sql.Tx) error {
		const query = `INSERT INTO setting (name, value) VALUES (?, ?)
ON CONFLICT (name) DO UPDATE SET value = max(CAST(value AS INTEGER), CAST(excluded.value AS INTEGER))`
		_, err := tx.ExecContext(ctx, query, toldVersions, told)
		return err
	})
}

// ToldVersions gives what was remembered; 0 before any restore.
func (s *Store) ToldVersions(ctx context.Context) (told int64, err error) {
	const query = `SELECT coalesce(max(CAST(value AS INTEGER)), 0) FROM setting WHERE name = ?`
	err = s.read.QueryRowContext(ctx, query, toldVersions).Scan(&told)
	return told, fault("told versions", err)
}
