package postgres

import (
	"context"

	"github.com/jackc/pgx/v5"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store/migration"
)

// keepVersions makes the table of steps that were taken; of the first databases it had no
// column serves.
func keepVersions(ctx context.Context, conn *pgx.Conn) error {
	const (
		table = `CREATE TABLE schema_version (
  version integer PRIMARY KEY,
  name    text NOT NULL,
  at      timestamptz NOT NULL DEFAULT now(),
  serves  integer NOT NULL DEFAULT 1
)`
		column = `ALTER TABLE schema_version ADD COLUMN serves integer NOT NULL DEFAULT 1`
		ask    = `SELECT count(*) > 0, count(*) FILTER (WHERE attname = 'serves') > 0
FROM pg_attribute WHERE attrelid = to_regclass('schema_version') AND NOT attisdropped`
	)
	var there, whole bool
	if err := conn.QueryRow(ctx, ask).Scan(&there, &whole); err != nil || whole {
		return err
	}
	statement := table
	if there {
		statement = column
	}
	_, err := conn.Exec(ctx, statement)
	return err
}

// knownSchema is the version of the schema that this release was made for.
func knownSchema() (int, error) {
	steps, err := migration.Read(migrations, "migrations")
	return len(steps), err
}

// checkSchema refuses a schema on which this release can't work: an older one, and a newer
// one that no longer serves it.
func checkSchema(ctx context.Context, q querier) error {
	known, err := knownSchema()
	if err != nil {
		return err
	}
	current, err := schemaVersion(ctx, q)
	switch {
	case err != nil:
		return err
	case current < known:
		return outcome.Fail(outcome.CodeBusinessRule, "check schema",
			"the schema has version %d, this release needs %d: run migrate", current, known)
	case current == known:
		return nil
	}
	rows, err := q.Query(ctx, `SELECT max(serves) FROM schema_version`)
	if err != nil {
		return err
	}
	serves, err := pgx.CollectExactlyOneRow(rows, pgx.RowTo[int])
	if err == nil && serves > known {
		return newer(current, known)
	}
	return err
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
