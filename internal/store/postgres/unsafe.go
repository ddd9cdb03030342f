package postgres

import (
	"context"
	"fmt"
	"slices"

	"github.com/jackc/pgx/v5"
)

// Unsafe gives a sentence for each setting under which an acknowledged commit can be
// lost, all at once; empty when there is none. Source: PostgreSQL, "Write Ahead Log"
// settings, https://www.postgresql.org/docs/current/runtime-config-wal.html.
func Unsafe(ctx context.Context, url string) ([]string, error) {
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		return nil, fault("check settings", err)
	}
	found, err := unsafeOf(ctx, conn)
	return found, fault("check settings", joinClose(ctx, conn, err))
}

// querier is a connection or a pool.
type querier interface {
	Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error)
}

func unsafeOf(ctx context.Context, q querier) ([]string, error) {
	const query = `SELECT name, setting FROM pg_settings
WHERE name IN ('fsync', 'full_page_writes', 'synchronous_commit') AND setting = 'off'`
	rows, err := q.Query(ctx, query)
	if err != nil {
		return nil, err
	}
	off, err := pgx.CollectRows(rows, pgx.RowToStructByName[struct{ Name, Setting string }])
	found := make([]string, len(off))
	for i, s := range off {
		found[i] = fmt.Sprintf("the database has %s = %s: a crash can lose what was acknowledged", s.Name, s.Setting)
	}
	slices.Sort(found)
	return found, err
}
