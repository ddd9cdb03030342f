package postgres

import (
	"context"
	"errors"

	"github.com/jackc/pgx/v5"

	"fhirsvc/internal/store"
)

// Commit applies each changeset whole or not at all, all in one transaction.
func (s *Store) Commit(ctx context.Context, changes []store.Changeset) ([]store.Result, error) {
	if err := store.Verify(changes); err != nil {
		return nil, err
	}
	results := make([]store.Result, len(changes))
	options := pgx.TxOptions{IsoLevel: pgx.ReadCommitted} // row locks and versions decide, not snapshots
	err := pgx.BeginTxFunc(ctx, s.pool, options, func(tx pgx.Tx) error {
		for _, members := range waves(changes) {
			if err := commitWave(ctx, tx, changes, members, results); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return nil, unknown("commit", err)
	}
	return results, nil
}

// commitWave takes and locks the keys of all members, decides, and then writes the rest
// for those that nothing stood against and takes the keys of the others back.
func commitWave(ctx context.Context, tx pgx.Tx, changes []store.Changeset, members []int, results []store.Result) error {
	t := newTaking(changes, members)
	if err := t.take(ctx, tx); err != nil {
		return err
	}
	w, back := &writing{}, &giving{}
	for _, i := range members {
		results[i] = t.decide(&changes[i])
		if results[i].Status == store.Committed {
			w.add(&changes[i], t.heads[&changes[i]])
		} else {
			back.add(&changes[i], t.put)
		}
	}
	batch := &pgx.Batch{}
	w.queue(batch)
	back.queue(batch)
	return send(ctx, tx, batch)
}

// Answer gives the inbox entry of an input that was accepted; ok is false if none.
func (s *Store) Answer(ctx context.Context, source, id string) (store.Inbox, bool, error) {
	const query = `SELECT source, id, digest, answer, at FROM inbox WHERE source = $1 AND id = $2`
	rows, err := s.pool.Query(ctx, query, source, id)
	if err != nil {
		return store.Inbox{}, false, fault("answer", err)
	}
	entry, err := pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[store.Inbox])
	if errors.Is(err, pgx.ErrNoRows) {
		return store.Inbox{}, false, nil
	}
	if err == nil {
		entry.Answer, err = unpack(entry.Answer)
	}
	return entry, err == nil, fault("answer", err)
}
