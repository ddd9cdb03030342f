package embedded

import (
	"context"
	"database/sql"
	"embed"
	"fmt"
	"time"

	"fhirsvc/internal/store/migration"
)

//go:embed migrations
var migrations embed.FS

// migrate applies the missing steps, each in a transaction of its own.
func migrate(ctx context.Context, db *sql.DB) error {
	steps, err := migration.Read(migrations, "migrations")
	if err != nil {
		return err
	}
	const table = `CREATE TABLE IF NOT EXISTS schema_version (
  version INTEGER PRIMARY KEY,
  name    TEXT NOT NULL,
  at      INTEGER NOT NULL
) STRICT`
	if _, err := db.ExecContext(ctx, table); err != nil {
		return fmt.Errorf("schema version: %w", err)
	}
	var current int
	if err := db.QueryRowContext(ctx, `SELECT coalesce(max(version), 0) FROM schema_version`).Scan(&current); err != nil {
		return fmt.Errorf("schema version: %w", err)
	}
	if current > len(steps) {
		return fmt.Errorf("the schema has version %d, this release knows %d: a newer release wrote it", current, len(steps))
	}
	for _, step := range steps[current:] {
		if err := apply(ctx, db, step); err != nil {
			return fmt.Errorf("migration %03d_%s: %w", step.Version, step.Name, err)
		}
	}
	return nil
}

func apply(ctx context.Context, db *sql.DB, step migration.Step) error {
	tx, err := db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer rollback(tx)
	if _, err := tx.ExecContext(ctx, step.SQL); err != nil {
		return err
	}
	const note = `INSERT INTO schema_version (version, name, at) VALUES (?, ?, ?)`
	if _, err := tx.ExecContext(ctx, note, step.Version, step.Name, time.Now().UnixMicro()); err != nil {
		return err
	}
	return tx.Commit()
}
