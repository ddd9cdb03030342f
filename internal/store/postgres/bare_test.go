package postgres

import (
	"context"

	"github.com/jackc/pgx/v5"

	"fhirsvc/internal/store"
)

// CommitBare writes the rows of a changeset that meets no conflict in one round trip
// and decides nothing: the floor that benchmarks compare Commit with.
func (s *Store) CommitBare(ctx context.Context, changes []store.Changeset) ([]store.Result, error) {
	results := make([]store.Result, len(changes))
	members := make([]int, len(changes))
	for i := range changes {
		members[i] = i
		results[i].Status = store.Committed
	}
	t, w, batch := newTaking(changes, members), &writing{}, &pgx.Batch{}
	t.queue(batch)
	for i := range changes {
		w.add(&changes[i], t.heads[&changes[i]])
	}
	w.queue(batch)
	return results, s.pool.SendBatch(ctx, batch).Close()
}
