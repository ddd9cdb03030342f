package embedded

import (
	"bytes"
	"context"
	"database/sql"
	"errors"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
)

// Fix stores a setting on the first call and returns the stored value ever after.
func (s *Store) Fix(ctx context.Context, name, value string) (string, error) {
	var fixed string
	err := s.writing(ctx, "fix "+name, func(tx *sql.Tx) error {
		const keep = `INSERT INTO setting (name, value) VALUES (?, ?) ON CONFLICT DO NOTHING`
		if _, err := tx.ExecContext(ctx, keep, name, value); err != nil {
			return err
		}
		return tx.QueryRowContext(ctx, `SELECT value FROM setting WHERE name = ?`, name).Scan(&fixed)
	})
	return fixed, err
}

// FixProtocol stores the bytes of a protocol version once; duplicate when other bytes
// are stored under it.
func (s *Store) FixProtocol(ctx context.Context, canonical string, body []byte) error {
	const op = "fix protocol"
	return s.writing(ctx, op, func(tx *sql.Tx) error {
		const keep = `INSERT INTO protocol (canonical, body) VALUES (?, ?) ON CONFLICT DO NOTHING`
		if _, err := tx.ExecContext(ctx, keep, canonical, body); err != nil {
			return err
		}
		var stored []byte
		if err := tx.QueryRowContext(ctx, `SELECT body FROM protocol WHERE canonical = ?`, canonical).Scan(&stored); err != nil {
			return err
		}
		if !bytes.Equal(stored, body) {
			return outcome.Fail(outcome.CodeDuplicate, op, "%s is stored with other content: a changed protocol needs a new version", canonical)
		}
		return nil
	})
}

// Protocol gives the stored bytes of a protocol version; not-found if there is none.
func (s *Store) Protocol(ctx context.Context, canonical string) ([]byte, error) {
	var body []byte
	err := s.read.QueryRowContext(ctx, `SELECT body FROM protocol WHERE canonical = ?`, canonical).Scan(&body)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, notFound("protocol", canonical)
	}
	return body, fault("protocol", err)
}

// Quarantined lists the inputs kept in quarantine, oldest first.
func (s *Store) Quarantined(ctx context.Context) ([]store.Quarantine, error) {
	const query = `SELECT id, episode, kind, body, fault, at FROM quarantine ORDER BY number`
	rows, err := s.read.QueryContext(ctx, query)
	kept, err := list(rows, err, func(r *sql.Rows) (q store.Quarantine, err error) {
		var at int64
		err = r.Scan(&q.ID, &q.Episode, &q.Kind, &q.Body, &q.Fault, &at)
		q.At = instant(at)
		return q, err
	})
	return kept, fault("quarantined", err)
}
