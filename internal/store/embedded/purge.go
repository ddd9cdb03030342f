package embedded

import (
	"context"
	"database/sql"
	"time"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
)

// Idle gives the ids of episodes that wait for no time, in order, those after an id.
func (s *Store) Idle(ctx context.Context, after string, limit int) ([]string, error) {
	rows, err := s.read.QueryContext(ctx, `SELECT id FROM episode WHERE id > ? AND due IS NULL ORDER BY id LIMIT ?`, after, limit)
	ids, err := list(rows, err, func(r *sql.Rows) (id string, err error) { return id, r.Scan(&id) })
	return ids, fault("idle", err)
}

// ofEpisode are the keys of what belongs to an episode now.
const ofEpisode = `SELECT v.type, v.id FROM resource_version v JOIN resource r ON r.type = v.type AND r.id = v.id AND r.version = v.version
WHERE v.episode = ?1 AND v.episode <> ''`

// OfEpisode gives the current version of each resource of an episode.
func (s *Store) OfEpisode(ctx context.Context, id string) ([]store.Resource, error) {
	rows, err := s.read.QueryContext(ctx, ofEpisode+` ORDER BY v.type, v.id`, id)
	keys, err := list(rows, err, func(r *sql.Rows) (k [2]string, err error) { return k, r.Scan(&k[0], &k[1]) })
	if err != nil {
		return nil, fault("of episode", err)
	}
	all := make([]store.Resource, len(keys))
	for i, k := range keys {
		if all[i], err = s.Read(ctx, k[0], k[1]); err != nil {
			return nil, err
		}
	}
	return all, nil
}

// Purge removes an episode, and remembers that it was there.
func (s *Store) Purge(ctx context.Context, id string, version int64, record store.Resource) error {
	const (
		op    = "purge"
		ready = `SELECT EXISTS (SELECT 1 FROM episode WHERE id = ?1 AND version = ?2 AND due IS NULL)
  AND NOT EXISTS (SELECT 1 FROM outbox WHERE episode = ?1 AND (sent_at IS NULL OR matched_at IS NULL))
  AND NOT EXISTS (SELECT 1 FROM outbox_aside a JOIN outbox o ON o.seq = a.seq WHERE o.episode = ?1)
  AND NOT EXISTS (SELECT 1 FROM delivery WHERE episode = ?1)
  AND NOT EXISTS (SELECT 1 FROM subscription_event e JOIN subscription s ON s.id = e.subscription
    WHERE e.number > s.sent AND s.status IN ('requested', 'active', 'error') AND (e.type, e.id) IN (` + ofEpisode + `))`
	)
	statements := []string{
		`DELETE FROM search_index WHERE (type, id) IN (` + ofEpisode + `)`,
		`DELETE FROM delivered WHERE (type, id) IN (` + ofEpisode + `)`,
		`DELETE FROM resource WHERE (type, id) IN (` + ofEpisode + `)`,
		`DELETE FROM resource_version WHERE (type, id) IN (SELECT type, id FROM resource_version WHERE episode = ?1 AND episode <> '')
  AND (type, id) NOT IN (SELECT type, id FROM resource)`,
		`DELETE FROM episode_input WHERE episode = ?1`,
		`DELETE FROM quarantine WHERE episode = ?1`,
		`DELETE FROM episode WHERE id = ?1`,
	}
	return s.writing(ctx, op, func(tx *sql.Tx) error {
		var can bool
		if err := tx.QueryRowContext(ctx, ready, id, version).Scan(&can); err != nil {
			return err
		}
		if !can {
			return outcome.Fail(outcome.CodeConflict, op, "the episode is another by now, or something of it is still to be told")
		}
		for _, statement := range statements {
			if _, err := tx.ExecContext(ctx, statement, id); err != nil {
				return err
			}
		}
		if _, err := tx.ExecContext(ctx, `INSERT INTO purged (id, at) VALUES (?, ?) ON CONFLICT DO NOTHING`, id, micros(time.Now())); err != nil {
			return err
		}
		return keep(ctx, tx, record)
	})
}

// keep stores a new resource with the rest of the transaction.
func keep(ctx context.Context, tx *sql.Tx, r store.Resource) error {
	ok, err := putResource(ctx, tx, &r)
	if err == nil && !ok {
		err = outcome.Fail(outcome.CodeConflict, "keep", "%s/%s is there", r.Type, r.ID)
	}
	return err
}

// absent says why an episode is not there.
func (s *Store) absent(ctx context.Context, id string) error {
	var purged bool
	if err := s.read.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM purged WHERE id = ?)`, id).Scan(&purged); err != nil {
		return fault("load", err)
	}
	if purged {
		return outcome.Fail(outcome.CodeDeleted, "load", "the record of this episode was removed, as the site's rule says")
	}
	return notFound("load", "episode "+id)
}
