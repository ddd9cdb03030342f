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
	w, batch := &writing{packing: s.packing}, &pgx.Batch{}
	for i := range changes {
		results[i].Status = store.Committed
		w.add(i, &changes[i], headsOf(&changes[i]))
	}
	w.queue(batch)
	return results, s.pool.SendBatch(ctx, batch).Close()
}
