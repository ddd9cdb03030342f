package embedded

import (
	"context"
	"database/sql"
	"errors"

	"fhirsvc/internal/store"
)

// Load gives an episode; not-found if there is none, deleted if it was purged.
func (s *Store) Load(ctx context.Context, id string) (store.Episode, error) {
	const query = `SELECT id, unit, subject, version, state, rules_version, protocol, protocol_digest, due
FROM episode WHERE id = ?`
	var e store.Episode
	var due sql.NullInt64
	err := s.read.QueryRowContext(ctx, query, id).Scan(&e.ID, &e.Unit, &e.Subject, &e.Version, &e.State,
		&e.RulesVersion, &e.Protocol, &e.ProtocolDigest, &due)
	if errors.Is(err, sql.ErrNoRows) {
		return store.Episode{}, s.absent(ctx, id)
	}
	e.Due = maybeInstant(due)
	return e, fault("load", err)
}

// EpisodesOf gives the ids of a Patient's episodes, oldest first; empty if none.
func (s *Store) EpisodesOf(ctx context.Context, subject string) ([]string, error) {
	rows, err := s.read.QueryContext(ctx, `SELECT id FROM episode WHERE subject = ? ORDER BY number`, subject)
	ids, err := list(rows, err, func(r *sql.Rows) (id string, err error) {
		return id, r.Scan(&id)
	})
	return ids, fault("episodes of a patient", err)
}

// Inputs gives all inputs of an episode in order of Seq; empty if there is none.
func (s *Store) Inputs(ctx context.Context, id string) ([]store.Input, error) {
	const query = `SELECT seq, kind, body, at, answer FROM episode_input WHERE episode = ? ORDER BY seq`
	rows, err := s.read.QueryContext(ctx, query, id)
	inputs, err := list(rows, err, func(r *sql.Rows) (in store.Input, err error) {
		var at int64
		err = r.Scan(&in.Seq, &in.Kind, &in.Body, &at, &in.Answer)
		in.At = instant(at)
		return in, err
	})
	return inputs, fault("inputs", err)
}

// Gather gives what is stored of what an input is about.
func (s *Store) Gather(ctx context.Context, w store.Wanted) (store.Gathered, error) {
	return store.GatherSingly(ctx, s, w)
}
