package postgres

import (
	"bytes"
	"context"
	"errors"

	"github.com/jackc/pgx/v5"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
)

// Fix stores a setting on the first call and returns the stored value ever after.
func (s *Store) Fix(ctx context.Context, name, value string) (fixed string, err error) {
	const keep = `INSERT INTO setting (name, value) VALUES ($1, $2) ON CONFLICT DO NOTHING`
	if _, err := s.pool.Exec(ctx, keep, name, value); err != nil {
		return "", fault("fix "+name, err)
	}
	err = s.pool.QueryRow(ctx, `SELECT value FROM setting WHERE name = $1`, name).Scan(&fixed)
	return fixed, fault("fix "+name, err)
}

// FixProtocol stores the bytes of a protocol version once; duplicate when other bytes
// are stored under it.
func (s *Store) FixProtocol(ctx context.Context, canonical string, body []byte) error {
	const (
		op   = "fix protocol"
		keep = `INSERT INTO protocol (canonical, body) VALUES ($1, $2) ON CONFLICT DO NOTHING`
	)
	if _, err := s.pool.Exec(ctx, keep, canonical, body); err != nil {
		return fault(op, err)
	}
	stored, err := s.Protocol(ctx, canonical)
	if err != nil {
		return err
	}
	if !bytes.Equal(stored, body) {
		return outcome.Fail(outcome.CodeDuplicate, op, "%s is stored with other content: a changed protocol needs a new version", canonical)
	}
	return nil
}

// Protocol gives the stored bytes of a protocol version; not-found if there is none.
func (s *Store) Protocol(ctx context.Context, canonical string) (body []byte, err error) {
	err = s.pool.QueryRow(ctx, `SELECT body FROM protocol WHERE canonical = $1`, canonical).Scan(&body)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil, notFound("protocol", canonical)
	}
	return body, fault("protocol", err)
}

// Quarantined lists the inputs kept in quarantine, oldest first.
func (s *Store) Quarantined(ctx context.Context) ([]store.Quarantine, error) {
	rows, err := s.pool.Query(ctx, `SELECT id, episode, kind, body, fault, at FROM quarantine ORDER BY number`)
	if err != nil {
		return nil, fault("quarantined", err)
	}
	kept, err := pgx.CollectRows(rows, pgx.RowToStructByName[store.Quarantine])
	return kept, fault("quarantined", err)
}
