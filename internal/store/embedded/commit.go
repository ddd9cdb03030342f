package embedded

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"fhirsvc/internal/store"
)

// Commit applies each changeset whole or not at all, all in one transaction. Each has
// a savepoint that takes back what it wrote before it met a conflict.
func (s *Store) Commit(ctx context.Context, changes []store.Changeset) ([]store.Result, error) {
	if err := store.Verify(changes); err != nil {
		return nil, err
	}
	results := make([]store.Result, len(changes))
	err := s.writing(ctx, "commit", func(tx *sql.Tx) error {
		for i := range changes {
			var err error
			if results[i], err = attempt(ctx, tx, &changes[i]); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return results, nil
}

// attempt applies one changeset or leaves no trace of it.
func attempt(ctx context.Context, tx *sql.Tx, c *store.Changeset) (store.Result, error) {
	if _, err := tx.ExecContext(ctx, `SAVEPOINT changeset`); err != nil {
		return store.Result{}, err
	}
	result, err := applyChangeset(ctx, tx, c)
	if err != nil {
		return store.Result{}, err // ends the whole transaction
	}
	if result.Status != store.Committed {
		if _, err := tx.ExecContext(ctx, `ROLLBACK TO changeset`); err != nil {
			return store.Result{}, err
		}
	}
	_, err = tx.ExecContext(ctx, `RELEASE changeset`)
	return result, err
}

// applyChangeset writes a changeset up to its first conflict. The order decides which end is
// reported when there are several: inbox, versions, identities.
func applyChangeset(ctx context.Context, tx *sql.Tx, c *store.Changeset) (store.Result, error) {
	if result, err := putInbox(ctx, tx, c.Inbox); err != nil || result.Status != store.Committed {
		return result, err
	}
	for i := range c.Episodes {
		if ok, err := putEpisode(ctx, tx, &c.Episodes[i]); err != nil || !ok {
			return store.Result{Status: store.Conflict}, err
		}
	}
	for i := range c.Resources {
		if ok, err := putResource(ctx, tx, &c.Resources[i]); err != nil || !ok {
			return store.Result{Status: store.Conflict}, err
		}
	}
	for i := range c.Outbox {
		if ok, err := putOutbox(ctx, tx, &c.Outbox[i]); err != nil || !ok {
			return store.Result{Status: store.Conflict}, err
		}
	}
	taken, err := putIdentities(ctx, tx, c.Identities)
	if err != nil {
		return store.Result{}, err
	}
	if len(taken) > 0 {
		return store.Result{Status: store.Taken, Taken: taken}, nil
	}
	for i := range c.Subscriptions {
		if err := putSubscription(ctx, tx, &c.Subscriptions[i]); err != nil {
			return store.Result{}, err
		}
	}
	return store.Result{Status: store.Committed}, putQuarantine(ctx, tx, c.Quarantine)
}

// putInbox takes the inbox key, or tells what is stored under it.
func putInbox(ctx context.Context, tx *sql.Tx, in *store.Inbox) (store.Result, error) {
	if in == nil {
		return store.Result{Status: store.Committed}, nil
	}
	const query = `INSERT INTO inbox (source, id, digest, answer, at, stream, settled) VALUES (?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING`
	stream := maybeMicros(in.Stream)
	settled := sql.NullInt64{Int64: in.Settled, Valid: stream.Valid}
	put, err := changed(tx.ExecContext(ctx, query, in.Source, in.ID, in.Digest, in.Answer, micros(in.At), stream, settled))
	if err != nil || put {
		return store.Result{Status: store.Committed}, err
	}
	stored, err := readInbox(ctx, tx, in.Source, in.ID)
	if err != nil {
		return store.Result{}, err
	}
	if stored.Digest != in.Digest {
		return store.Result{Status: store.Differs}, nil
	}
	return store.Result{Status: store.Duplicate, Answer: stored.Answer}, nil
}

// Answer gives the inbox entry of an input that was accepted; ok is false if none.
func (s *Store) Answer(ctx context.Context, source, id string) (store.Inbox, bool, error) {
	entry, err := readInbox(ctx, s.read, source, id)
	if errors.Is(err, sql.ErrNoRows) {
		return store.Inbox{}, false, nil
	}
	return entry, err == nil, fault("answer", err)
}

func readInbox(ctx context.Context, q querier, source, id string) (store.Inbox, error) {
	const query = `SELECT digest, answer, at FROM inbox WHERE source = ? AND id = ?`
	in := store.Inbox{Source: source, ID: id}
	var at int64
	err := q.QueryRowContext(ctx, query, source, id).Scan(&in.Digest, &in.Answer, &at)
	in.At = instant(at)
	return in, err
}

// changed reports whether a statement changed a row.
func changed(res sql.Result, err error) (bool, error) {
	if err != nil {
		return false, err
	}
	n, err := res.RowsAffected()
	if err != nil {
		return false, fmt.Errorf("rows affected: %w", err)
	}
	return n > 0, nil
}
