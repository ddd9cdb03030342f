package postgres

import (
	"context"
	"embed"
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store/migration"
)

//go:embed migrations
var migrations embed.FS

// migrating is the advisory lock under which one process at a time changes a schema.
const migrating = 0x66686972 // "fhir"

// Migrate brings a database to this release's schema: each missing step in a
// transaction of its own. Several at once wait for one another. It refuses a schema
// that is newer.
func Migrate(ctx context.Context, url string) error {
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		return fault("migrate", err)
	}
	return fault("migrate", joinClose(ctx, conn, migrate(ctx, conn)))
}

// joinClose ends a connection of one use; its locks end with it.
func joinClose(ctx context.Context, conn *pgx.Conn, err error) error {
	return errors.Join(err, conn.Close(ctx))
}

func migrate(ctx context.Context, conn *pgx.Conn) error {
	steps, err := migration.Read(migrations, "migrations")
	if err != nil {
		return err
	}
	if _, err := conn.Exec(ctx, `SELECT pg_advisory_lock($1)`, migrating); err != nil {
		return err
	}
	const table = `CREATE TABLE IF NOT EXISTS schema_version (
  version integer PRIMARY KEY,
  name    text NOT NULL,
  at      timestamptz NOT NULL DEFAULT now()
)`
	if _, err := conn.Exec(ctx, table); err != nil {
		return err
	}
	current, err := schemaVersion(ctx, conn)
	if err != nil {
		return err
	}
	if current > len(steps) {
		return newer(current, len(steps))
	}
	for _, step := range steps[current:] {
		if err := apply(ctx, conn, step); err != nil {
			return fmt.Errorf("migration %03d_%s: %w", step.Version, step.Name, err)
		}
	}
	return nil
}

func apply(ctx context.Context, conn *pgx.Conn, step migration.Step) error {
	return pgx.BeginFunc(ctx, conn, func(tx pgx.Tx) error {
		// A file has many statements, which only the simple protocol takes.
		if _, err := tx.Conn().PgConn().Exec(ctx, step.SQL).ReadAll(); err != nil {
			return err
		}
		_, err := tx.Exec(ctx, `INSERT INTO schema_version (version, name) VALUES ($1, $2)`, step.Version, step.Name)
		return err
	})
}

// checkSchema refuses every schema but this release's.
func checkSchema(ctx context.Context, q querier) error {
	steps, err := migration.Read(migrations, "migrations")
	if err != nil {
		return err
	}
	current, err := schemaVersion(ctx, q)
	switch {
	case err != nil:
		return err
	case current > len(steps):
		return newer(current, len(steps))
	case current < len(steps):
		return outcome.Fail(outcome.CodeBusinessRule, "check schema",
			"the schema has version %d, this release needs %d: run migrate", current, len(steps))
	}
	return nil
}

func newer(current, known int) error {
	return outcome.Fail(outcome.CodeBusinessRule, "check schema",
		"the schema has version %d, this release knows %d: a newer release changed it", current, known)
}

// schemaVersion gives the number of the last step; 0 for a database without a schema.
func schemaVersion(ctx context.Context, q querier) (int, error) {
	rows, err := q.Query(ctx, `SELECT to_regclass('schema_version') IS NOT NULL`)
	if err != nil {
		return 0, err
	}
	exists, err := pgx.CollectExactlyOneRow(rows, pgx.RowTo[bool])
	if err != nil || !exists {
		return 0, err
	}
	rows, err = q.Query(ctx, `SELECT coalesce(max(version), 0) FROM schema_version`)
	if err != nil {
		return 0, err
	}
	return pgx.CollectExactlyOneRow(rows, pgx.RowTo[int])
}
