package postgres

import (
	"context"
	"errors"
	"time"

	"github.com/jackc/pgx/v5"

	"fhirsvc/internal/store"
)

// episodeRow is a row of episode.
type episodeRow struct {
	ID, Unit, Subject        string
	Version                  int64
	State                    []byte
	RulesVersion             int
	Protocol, ProtocolDigest string
	Due                      *time.Time
}

// Load gives an episode; not-found if there is none, deleted if it was purged.
func (s *Store) Load(ctx context.Context, id string) (store.Episode, error) {
	const query = `SELECT id, unit, subject, version, state, rules_version, protocol, protocol_digest, due
FROM episode WHERE id = $1`
	rows, err := s.pool.Query(ctx, query, id)
	if err != nil {
		return store.Episode{}, fault("load", err)
	}
	e, err := pgx.CollectExactlyOneRow(rows, toEpisode)
	if errors.Is(err, pgx.ErrNoRows) {
		return store.Episode{}, s.absent(ctx, id)
	}
	return e, fault("load", err)
}

// toEpisode reads a row of episode.
func toEpisode(row pgx.CollectableRow) (store.Episode, error) {
	r, err := pgx.RowToStructByName[episodeRow](row)
	if err != nil {
		return store.Episode{}, err
	}
	state, err := unpack(r.State)
	e := store.Episode{
		ID: r.ID, Unit: r.Unit, Subject: r.Subject, Version: r.Version, State: state,
		RulesVersion: r.RulesVersion, Protocol: r.Protocol, ProtocolDigest: r.ProtocolDigest,
	}
	if r.Due != nil {
		e.Due = *r.Due
	}
	return e, err
}

// EpisodesOf gives the ids of a Patient's episodes, oldest first; empty if none.
func (s *Store) EpisodesOf(ctx context.Context, subject string) ([]string, error) {
	rows, err := s.pool.Query(ctx, `SELECT id FROM episode WHERE subject = $1 ORDER BY number`, subject)
	if err != nil {
		return nil, fault("episodes of a patient", err)
	}
	ids, err := pgx.CollectRows(rows, pgx.RowTo[string])
	return ids, fault("episodes of a patient", err)
}

// Inputs gives all inputs of an episode in order of Seq; empty if there is none.
func (s *Store) Inputs(ctx context.Context, id string) ([]store.Input, error) {
	rows, err := s.pool.Query(ctx, `SELECT seq, kind, body, at, answer FROM episode_input WHERE episode = $1 ORDER BY seq`, id)
	if err != nil {
		return nil, fault("inputs", err)
	}
	inputs, err := pgx.CollectRows(rows, pgx.RowToStructByName[store.Input])
	for i := range inputs {
		if err == nil {
			err = unpackAll(&inputs[i].Body, &inputs[i].Answer)
		}
	}
	return inputs, fault("inputs", err)
}
