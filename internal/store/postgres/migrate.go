package postgres

import (
	"context"
	"embed"
	"errors"
	"fmt"
	"math/rand/v2"
	"time"

	"github.com/jackc/pgx/v5"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store/migration"
)

//go:embed migrations
var migrations embed.FS

// migrating is the advisory lock under which one process at a time changes a schema.
const migrating = 0x66686972 // "fhir"

// How a change waits for tables that are in use. Whoever asks for a table after it waits
// too, so it gives up soon, lets them through and asks again.
const (
	lockWait  = time.Second
	lockPause = time.Second
	lockTries = 60
)

// Migrate brings a database to this release's schema: each missing step in a transaction of
// its own, or statement by statement where the step says so. Services of the release before
// may go on to serve meanwhile. Several at once wait for one another. It refuses a schema
// that is newer, and gives up (lock-error) when tables stay in use.
func Migrate(ctx context.Context, url string) error {
	steps, err := migration.Read(migrations, "migrations")
	if err != nil {
		return err
	}
	return migrateTo(ctx, url, steps)
}

func migrateTo(ctx context.Context, url string, steps []migration.Step) error {
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		return fault("migrate", err)
	}
	return fault("migrate", joinClose(ctx, conn, migrate(ctx, conn, steps)))
}

// joinClose ends a connection of one use; its locks end with it.
func joinClose(ctx context.Context, conn *pgx.Conn, err error) error {
	return errors.Join(err, conn.Close(ctx))
}

func migrate(ctx context.Context, conn *pgx.Conn, steps []migration.Step) error {
	if err := alone(ctx, conn); err != nil {
		return err
	}
	if err := keepVersions(ctx, conn); err != nil {
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
		if err := patiently(ctx, func() error { return apply(ctx, conn, step) }); err != nil {
			return fmt.Errorf("migration %03d_%s: %w", step.Version, step.Name, err)
		}
	}
	return nil
}

// alone waits until no other process changes the schema. It asks again and again: one that
// waits in the server holds a snapshot, and an index that is built concurrently waits for
// that.
func alone(ctx context.Context, conn *pgx.Conn) error {
	for {
		var mine bool
		if err := conn.QueryRow(ctx, `SELECT pg_try_advisory_lock($1)`, migrating).Scan(&mine); err != nil || mine {
			return err
		}
		if err := pauseFor(ctx, lockPause/4); err != nil {
			return err
		}
	}
}

// patiently tries again what found tables in use.
func patiently(ctx context.Context, do func() error) error {
	for try := 1; ; try++ {
		err := do()
		if kind := outcome.KindOf(fault("migrate", err)); err == nil || kind != outcome.CodeLockError || try == lockTries {
			return err
		}
		if err := pauseFor(ctx, lockPause/2+rand.N(lockPause)); err != nil {
			return err
		}
	}
}

func pauseFor(ctx context.Context, d time.Duration) error {
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-time.After(d):
		return nil
	}
}

func apply(ctx context.Context, conn *pgx.Conn, step migration.Step) error {
	const keep = `INSERT INTO schema_version (version, name, serves) VALUES ($1, $2, $3)`
	wait := lockWait
	if step.Online { // it waits for old transactions, and nobody waits for it
		wait = 0
	}
	if _, err := conn.Exec(ctx, `SELECT set_config('lock_timeout', $1, false)`, fmt.Sprintf("%dms", wait.Milliseconds())); err != nil {
		return err
	}
	if step.Online {
		if err := dropHalfBuilt(ctx, conn, step); err != nil {
			return err
		}
		for _, statement := range step.Statements() {
			if _, err := conn.Exec(ctx, statement); err != nil {
				return err
			}
		}
		_, err := conn.Exec(ctx, keep, step.Version, step.Name, step.Serves)
		return err
	}
	return pgx.BeginFunc(ctx, conn, func(tx pgx.Tx) error {
		// A file has many statements, which only the simple protocol takes.
		if _, err := tx.Conn().PgConn().Exec(ctx, step.SQL).ReadAll(); err != nil {
			return err
		}
		_, err := tx.Exec(ctx, keep, step.Version, step.Name, step.Serves)
		return err
	})
}

// dropHalfBuilt removes the indexes of a step of which an earlier try was broken off: they
// have their names, and are none.
func dropHalfBuilt(ctx context.Context, conn *pgx.Conn, step migration.Step) error {
	const query = `SELECT c.relname FROM pg_index i JOIN pg_class c ON c.oid = i.indexrelid
WHERE c.relnamespace = current_schema()::regnamespace AND NOT i.indisvalid AND strpos($1, c.relname) > 0`
	rows, err := conn.Query(ctx, query, step.SQL)
	if err != nil {
		return err
	}
	names, err := pgx.CollectRows(rows, pgx.RowTo[string])
	for _, name := range names {
		if err == nil {
			_, err = conn.Exec(ctx, `DROP INDEX CONCURRENTLY IF EXISTS `+pgx.Identifier{name}.Sanitize())
		}
	}
	return err
}
