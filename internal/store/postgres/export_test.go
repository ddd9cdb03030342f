package postgres

import (
	"context"
	"errors"
	"time"

	"github.com/jackc/pgx/v5"

	"fhirsvc/internal/store/migration"
)

// Steps are the steps of this release's schema.
func Steps() ([]migration.Step, error) { return migration.Read(migrations, "migrations") }

// MigrateTo takes other steps than this release's.
func MigrateTo(ctx context.Context, url string, steps []migration.Step) error {
	return migrateTo(ctx, url, steps)
}

// Statements are what the idle connections have asked the server to prepare.
func (s *Store) Statements(ctx context.Context) (all []string, err error) {
	for _, conn := range s.pool.AcquireAllIdle(ctx) {
		rows, askErr := conn.Query(ctx, `SELECT statement FROM pg_prepared_statements`, pgx.QueryExecModeSimpleProtocol)
		asked, readErr := pgx.CollectRows(rows, pgx.RowTo[string])
		all, err = append(all, asked...), errors.Join(err, askErr, readErr)
		conn.Release()
	}
	return all, err
}

// OpenWithin is Open with another limit for an answer.
func OpenWithin(ctx context.Context, url string, limit time.Duration) (*Store, error) {
	return openWithin(ctx, url, limit)
}

// Settings are what the sessions run with.
func (s *Store) Settings(ctx context.Context, names ...string) (found []string, err error) {
	for _, name := range names {
		var value string
		err = errors.Join(err, s.pool.QueryRow(ctx, `SELECT current_setting($1)`, name).Scan(&value))
		found = append(found, value)
	}
	return found, err
}

// Plans is how often the idle connections planned a statement for its values, and how often
// they took the plan that they had.
func (s *Store) Plans(ctx context.Context) (anew, once int64, err error) {
	for _, conn := range s.pool.AcquireAllIdle(ctx) {
		var a, o int64
		const query = `SELECT coalesce(sum(custom_plans), 0)::bigint, coalesce(sum(generic_plans), 0)::bigint FROM pg_prepared_statements WHERE statement LIKE '%unnest%'`
		err = errors.Join(err, conn.QueryRow(ctx, query, pgx.QueryExecModeSimpleProtocol).Scan(&a, &o))
		anew, once = anew+a, once+o
		conn.Release()
	}
	return anew, once, err
}

// TaggedQuery is the statement of Tagged.
const TaggedQuery = taggedQuery
