package postgres

import (
	"context"

	"github.com/jackc/pgx/v5"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
)

// Idle gives the ids of episodes that wait for no time, in order, those after an id.
func (s *Store) Idle(ctx context.Context, after string, limit int) ([]string, error) {
	rows, err := s.pool.Query(ctx, `SELECT id FROM episode WHERE id > $1 AND due IS NULL ORDER BY id LIMIT $2`, after, limit)
	if err != nil {
		return nil, fault("idle", err)
	}
	ids, err := pgx.CollectRows(rows, pgx.RowTo[string])
	return ids, fault("idle", err)
}

// ofEpisode are the keys of what belongs to an episode now.
const ofEpisode = `SELECT v.type, v.id FROM resource_version v JOIN resource r USING (type, id, version) WHERE v.episode = $1 AND v.episode <> ''`

// OfEpisode gives the current version of each resource of an episode.
func (s *Store) OfEpisode(ctx context.Context, id string) ([]store.Resource, error) {
	const query = `SELECT v.type, v.id, v.version, v.updated, v.unit, v.episode, v.body
FROM resource_version v JOIN resource r USING (type, id, version)
WHERE v.episode = $1 AND v.episode <> '' ORDER BY v.type, v.id`
	rows, err := s.pool.Query(ctx, query, id)
	if err != nil {
		return nil, fault("of episode", err)
	}
	all, err := pgx.CollectRows(rows, toResource)
	return all, fault("of episode", err)
}

// Purge removes an episode, and remembers that it was there.
func (s *Store) Purge(ctx context.Context, id string, version int64, record store.Resource) error {
	const (
		op    = "purge"
		lock  = `SELECT count(*) FROM (SELECT FROM episode WHERE id = $1 AND version = $2 AND due IS NULL FOR UPDATE) e`
		waits = `WITH k AS MATERIALIZED (` + ofEpisode + `)
SELECT EXISTS (SELECT FROM outbox WHERE episode = $1 AND sent_at IS NULL)
  OR EXISTS (SELECT FROM outbox WHERE episode = $1 AND matched_at IS NULL)
  OR EXISTS (SELECT FROM outbox_aside a JOIN outbox o USING (seq) WHERE o.episode = $1)
  OR EXISTS (SELECT FROM delivery WHERE episode = $1)
  OR EXISTS (SELECT FROM subscription_event e JOIN k USING (type, id) JOIN subscription s ON s.id = e.subscription
    WHERE e.number > s.sent AND s.status IN ('requested', 'active', 'error'))`
	)
	return fault(op, pgx.BeginFunc(ctx, s.pool, func(tx pgx.Tx) error {
		var here int
		if err := tx.QueryRow(ctx, lock, id, version).Scan(&here); err != nil {
			return err
		}
		var waiting bool
		if err := tx.QueryRow(ctx, waits, id).Scan(&waiting); err != nil {
			return err
		}
		if here == 0 || waiting {
			return outcome.Fail(outcome.CodeConflict, op, "the episode is another by now, or something of it is still to be told")
		}
		batch := &pgx.Batch{}
		for _, table := range []string{"search_index", "delivered", "resource"} {
			batch.Queue(`WITH k AS MATERIALIZED (`+ofEpisode+`) DELETE FROM `+table+` x USING k WHERE x.type = k.type AND x.id = k.id`, id)
		}
		for _, statement := range []string{
			`DELETE FROM resource_version v USING (SELECT DISTINCT type, id FROM resource_version WHERE episode = $1 AND episode <> '') k
WHERE v.type = k.type AND v.id = k.id AND NOT EXISTS (SELECT FROM resource r WHERE r.type = k.type AND r.id = k.id)`,
			`DELETE FROM episode_input WHERE episode = $1`,
			`DELETE FROM quarantine WHERE episode = $1`,
			`DELETE FROM episode WHERE id = $1`,
			`INSERT INTO purged (id) VALUES ($1) ON CONFLICT DO NOTHING`,
		} {
			batch.Queue(statement, id)
		}
		return s.keep(ctx, tx, batch, record)
	}))
}

// keep adds the rows of a new resource to a batch and runs it, all or nothing with the rest of
// the transaction.
func (s *Store) keep(ctx context.Context, tx pgx.Tx, batch *pgx.Batch, r store.Resource) error {
	t := newTrial(s.packing, []store.Changeset{{Resources: []store.Resource{r}}})
	t.queue(batch, []int{0})
	if err := send(ctx, tx, batch); err != nil {
		return err
	}
	if t.result(0).Status != store.Committed {
		return outcome.Fail(outcome.CodeConflict, "keep", "%s/%s is there", r.Type, r.ID)
	}
	return nil
}

// absent says why an episode is not there.
func (s *Store) absent(ctx context.Context, id string) error {
	var purged bool
	if err := s.pool.QueryRow(ctx, `SELECT EXISTS (SELECT FROM purged WHERE id = $1)`, id).Scan(&purged); err != nil {
		return fault("load", err)
	}
	if purged {
		return outcome.Fail(outcome.CodeDeleted, "load", "the record of this episode was removed, as the site's rule says")
	}
	return notFound("load", "episode "+id)
}
