package embedded

import (
	"context"
	"database/sql"
)

// writing runs fn in one transaction of the writer. Only a nil result is committed.
func (s *Store) writing(ctx context.Context, op string, fn func(tx *sql.Tx) error) error {
	tx, err := s.write.BeginTx(ctx, nil)
	if err != nil {
		return fault(op, err)
	}
	defer rollback(tx)
	if err := fn(tx); err != nil {
		return fault(op, err)
	}
	return fault(op, tx.Commit())
}

// rollback ends a transaction that was not committed; after a commit it does nothing.
func rollback(tx *sql.Tx) { _ = tx.Rollback() }

// list reads all rows; scan reads one.
func list[T any](rows *sql.Rows, err error, scan func(*sql.Rows) (T, error)) ([]T, error) {
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var all []T
	for rows.Next() {
		one, err := scan(rows)
		if err != nil {
			return nil, err
		}
		all = append(all, one)
	}
	return all, rows.Err()
}
