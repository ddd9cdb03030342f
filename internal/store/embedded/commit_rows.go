package embedded

import (
	"context"
	"database/sql"
	"encoding/json"
	"time"

	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/store"
	"fhirsvc/internal/store/searchsql"
)

// putEpisode stores a step of an episode; ok is false when its version is another.
func putEpisode(ctx context.Context, tx *sql.Tx, e *store.EpisodeChange) (ok bool, err error) {
	const (
		create = `INSERT INTO episode (id, unit, subject, version, state, rules_version, protocol, protocol_digest, due)
VALUES (?1, ?2, ?3, ?4 + 1, ?5, ?6, ?7, ?8, ?9) ON CONFLICT DO NOTHING`
		update = `UPDATE episode SET unit = ?2, subject = ?3, version = ?4 + 1, state = ?5, rules_version = ?6,
  protocol = ?7, protocol_digest = ?8, due = ?9, leased_until = NULL
WHERE id = ?1 AND version = ?4`
		keep = `INSERT INTO episode_input (episode, seq, unit, kind, body, at, answer) VALUES (?, ?, ?, ?, ?, ?, ?)`
	)
	query := update
	if e.Expected == 0 {
		query = create
	}
	ok, err = changed(tx.ExecContext(ctx, query, e.ID, e.Unit, e.Subject, e.Expected, e.State,
		e.RulesVersion, e.Protocol, e.ProtocolDigest, maybeMicros(e.Due)))
	if err != nil || !ok {
		return false, err
	}
	in := &e.Input
	_, err = tx.ExecContext(ctx, keep, e.ID, in.Seq, e.Unit, in.Kind, in.Body, micros(in.At), in.Answer)
	return true, err
}

// putResource stores a resource version and makes it the current one; ok is false when
// it does not follow the current one.
func putResource(ctx context.Context, tx *sql.Tx, r *store.Resource) (ok bool, err error) {
	const (
		create = `INSERT INTO resource (type, id, version, updated, unit) VALUES (?1, ?2, ?3, ?4, ?5) ON CONFLICT DO NOTHING`
		update = `UPDATE resource SET version = ?3, updated = ?4, unit = ?5 WHERE type = ?1 AND id = ?2 AND version = ?6`
		keep   = `INSERT INTO resource_version (type, id, version, updated, unit, episode, body) VALUES (?, ?, ?, ?, ?, ?, ?)`
		forget = `DELETE FROM search_index WHERE type = ? AND id = ?`
	)
	query := update
	if r.Follows() == 0 {
		query = create
	}
	ok, err = changed(tx.ExecContext(ctx, query, r.Type, r.ID, r.Version, micros(r.Updated), r.Unit, r.Follows()))
	if err != nil || !ok {
		return false, err
	}
	if _, err := tx.ExecContext(ctx, keep, r.Type, r.ID, r.Version, micros(r.Updated), r.Unit, r.Episode, r.Body); err != nil {
		return false, err
	}
	if r.Follows() > 0 {
		if _, err := tx.ExecContext(ctx, forget, r.Type, r.ID); err != nil {
			return false, err
		}
	}
	return true, putIndex(ctx, tx, r)
}

func putIndex(ctx context.Context, tx *sql.Tx, r *store.Resource) error {
	const query = `INSERT INTO search_index (type, param, kind, system, code, text, lo, hi, id, unit)
VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`
	if len(r.Index) == 0 {
		return nil
	}
	insert, err := tx.PrepareContext(ctx, query)
	if err != nil {
		return err
	}
	defer insert.Close()
	for i := range r.Index {
		if err := putValue(ctx, insert, r, &r.Index[i]); err != nil {
			return err
		}
	}
	return nil
}

func putValue(ctx context.Context, insert *sql.Stmt, r *store.Resource, v *search.Value) error {
	_, err := insert.ExecContext(ctx, r.Type, v.Param, int64(v.Kind), v.System, v.Code, v.Text, v.Lo, v.Hi, r.ID, searchsql.UnitOf(r, v))
	return err
}

// putOutbox queues a message; ok is false when its id is known.
func putOutbox(ctx context.Context, tx *sql.Tx, o *store.Outbox) (ok bool, err error) {
	const query = `INSERT INTO outbox (partition, episode, subject, message_id, headers, body, queued_at)
VALUES (?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING`
	headers, err := json.Marshal(o.Headers)
	if err != nil {
		return false, err
	}
	return changed(tx.ExecContext(ctx, query, o.Partition, o.Episode, o.Subject, o.MessageID, string(headers), o.Body, micros(time.Now())))
}

// putIdentities claims business identifiers and gives those that others hold.
func putIdentities(ctx context.Context, tx *sql.Tx, claims []store.Identity) (taken []store.Identity, err error) {
	const query = `INSERT INTO identity (type, system, value, id) VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING`
	for _, claim := range claims {
		put, err := changed(tx.ExecContext(ctx, query, claim.Type, claim.System, claim.Value, claim.ID))
		if err != nil {
			return nil, err
		}
		if put {
			continue
		}
		id, err := holder(ctx, tx, claim.Type, claim.System, claim.Value)
		if err != nil {
			return nil, err
		}
		if id != claim.ID {
			claim.ID = id
			taken = append(taken, claim)
		}
	}
	return taken, nil
}

// putQuarantine keeps an input that we could not handle; the first under its id stays.
func putQuarantine(ctx context.Context, tx *sql.Tx, q *store.Quarantine) error {
	if q == nil {
		return nil
	}
	const query = `INSERT INTO quarantine (id, episode, kind, body, fault, at) VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING`
	_, err := tx.ExecContext(ctx, query, q.ID, q.Episode, q.Kind, q.Body, q.Fault, micros(q.At))
	return err
}
