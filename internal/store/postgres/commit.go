package postgres

import (
	"context"
	"errors"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"fhirsvc/internal/store"
)

// raceTries is how often a call is begun at most.
const raceTries = 8

// Commit applies each changeset whole or not at all, all in one transaction and one round
// trip: locks, then what stands against each changeset, then the rows of those that nothing
// stands against. The database decides, by the locked rows, so that the rows of one changeset
// follow its own verdict.
//
// The first try takes it that what is new is not there yet, as it hardly ever is: to look for each
// key costs a tenth of what the rows cost, and one that is there fails the insert. The next
// try looks.
func (s *Store) Commit(ctx context.Context, changes []store.Changeset) ([]store.Result, error) {
	if err := store.Verify(changes); err != nil {
		return nil, err
	}
	var err error
	for try := range raceTries {
		var results []store.Result
		if results, err = s.commitOnce(ctx, changes, try == 0); !raced(err) {
			return results, unknown("commit", err)
		}
	}
	return nil, unknown("commit", err)
}

// commitOnce sends all waves as one batch, which is one transaction.
func (s *Store) commitOnce(ctx context.Context, changes []store.Changeset, trusting bool) ([]store.Result, error) {
	batch, t := &pgx.Batch{}, newTrial(s.packing, changes)
	t.trusting = trusting
	for _, members := range waves(changes) {
		t.queue(batch, members)
	}
	if batch.Len() == 0 {
		return t.results(), nil
	}
	if err := s.pool.SendBatch(ctx, batch).Close(); err != nil {
		return nil, err
	}
	return t.results(), nil
}

// raced reports whether the database undid everything for what another transaction did
// meanwhile, so that all can begin anew: an insert met a key that was not there at the look a
// moment before, or two waited for each other, as a commit and a change of the schema can that
// go through the tables in other orders.
func raced(err error) bool {
	var server *pgconn.PgError
	return errors.As(err, &server) && (server.Code == "23505" || server.Code == "40P01") // unique_violation, deadlock_detected
}

// send runs the statements of a batch in one round trip; an empty one needs none.
func send(ctx context.Context, tx pgx.Tx, batch *pgx.Batch) error {
	if batch.Len() == 0 {
		return nil
	}
	return tx.SendBatch(ctx, batch).Close()
}

// Answer gives the inbox entry of an input that was accepted; ok is false if none.
func (s *Store) Answer(ctx context.Context, source, id string) (store.Inbox, bool, error) {
	rows, err := s.pool.Query(ctx, answerQuery, source, id)
	if err != nil {
		return store.Inbox{}, false, fault("answer", err)
	}
	entry, err := toAnswer(rows)
	if entry == nil || err != nil {
		return store.Inbox{}, false, fault("answer", err)
	}
	return *entry, true, nil
}

const answerQuery = `SELECT source, id, digest, answer, at FROM inbox WHERE source = $1 AND id = $2`

// toAnswer reads an entry of the inbox; nil for none.
func toAnswer(rows pgx.Rows) (*store.Inbox, error) {
	entry, err := pgx.CollectExactlyOneRow(rows, pgx.RowToAddrOfStructByNameLax[store.Inbox])
	if errors.Is(err, pgx.ErrNoRows) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	entry.Answer, err = unpack(entry.Answer)
	return entry, err
}
