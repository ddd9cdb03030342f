package postgres_test

import (
	"context"
	"fmt"
	"slices"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"fhirsvc/internal/store/migration"
	"fhirsvc/internal/store/postgres"
)

// unruled are the steps from before the rule: no release had them behind it.
const unruled = 3

// A step runs while the release before it serves. What would make that one fail is refused
// unless the step says whom it still serves; what would make it wait is refused always.
// Source of which statement locks or rewrites what: PostgreSQL itself, asked in the
// transaction; https://www.postgresql.org/docs/current/explicit-locking.html.
func TestMigrationsLetTheReleaseBeforeServe(t *testing.T) {
	steps, err := postgres.Steps()
	require.NoError(t, err)
	url := newSchema(t)
	require.NoError(t, postgres.MigrateTo(t.Context(), url, steps[:unruled]))
	for i := unruled; i < len(steps); i++ {
		t.Run(fmt.Sprintf("%03d_%s", steps[i].Version, steps[i].Name), func(t *testing.T) {
			breaks, blocks := risksOf(t, url, steps[i])
			if steps[i].Serves == steps[i-1].Serves {
				require.Empty(t, breaks, "this ends the release before: say whom the step still serves, or do it one release later")
			}
			require.Empty(t, blocks, "while this runs nobody can write")
		})
		require.NoError(t, postgres.MigrateTo(t.Context(), url, steps[:i+1]))
	}
}

func TestRisksAreSeen(t *testing.T) {
	const before = `CREATE TABLE ward (id text PRIMARY KEY, name text, beds integer, level integer NOT NULL DEFAULT 0); CREATE TABLE old (id text)`
	tests := []struct{ name, sql, breaks, blocks string }{
		{"new table", `CREATE TABLE other (id text PRIMARY KEY, n integer NOT NULL UNIQUE); CREATE INDEX ON other (n)`, "", ""},
		{"new column", `ALTER TABLE ward ADD COLUMN note text, ADD COLUMN open boolean NOT NULL DEFAULT true`, "", ""},
		{"index online", "-- online\nCREATE INDEX CONCURRENTLY ward_name ON ward (name);\n", "", ""},
		{"looser", `ALTER TABLE ward ALTER level DROP NOT NULL`, "", ""},
		{"drop table", `DROP TABLE old`, "old is gone", ""},
		{"rename table", `ALTER TABLE old RENAME TO older`, "old is gone", ""},
		{"drop column", `ALTER TABLE ward DROP COLUMN beds`, "ward.beds is gone", ""},
		{"rename column", `ALTER TABLE ward RENAME beds TO places`, "ward.beds is gone", ""},
		{"other type", `ALTER TABLE ward ALTER beds TYPE bigint`, "ward.beds is another", "ward is written anew"},
		{"not null", `ALTER TABLE ward ALTER name SET NOT NULL`, "ward.name must be given", ""},
		{"no default", `ALTER TABLE ward ADD COLUMN kind text NOT NULL`, "ward.kind must be given", ""},
		{"default taken away", `ALTER TABLE ward ALTER level DROP DEFAULT`, "ward.level must be given", ""},
		{"new check", `ALTER TABLE ward ADD CHECK (beds > 0) NOT VALID`, "ward has a new rule", ""},
		{"unique", "-- online\nCREATE UNIQUE INDEX CONCURRENTLY ward_name ON ward (name);\n", "ward has a new rule", ""},
		{"index in a transaction", `CREATE INDEX ward_name ON ward (name)`, "", "ward can't be written to"},
		{"volatile default", `ALTER TABLE ward ADD COLUMN at timestamptz DEFAULT clock_timestamp()`, "", "ward is written anew"},
		{"all rows", `UPDATE ward SET beds = 0`, "", "ward has rows changed"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			url := newSchema(t)
			exec(t, url, before)
			step := migration.Step{SQL: tt.sql, Online: tt.sql[:3] == "-- "}
			breaks, blocks := risksOf(t, url, step)
			requireOne(t, tt.breaks, breaks)
			requireOne(t, tt.blocks, blocks)
		})
	}
}

func requireOne(t *testing.T, want string, got []string) {
	t.Helper()
	if want == "" {
		require.Empty(t, got)
		return
	}
	require.Equal(t, []string{want}, got)
}

// catalogue is what the release before relies on: tables with the file that each is in, and
// columns with their types and whether they may be left out.
type catalogue struct {
	files   map[string]uint32
	columns map[string]column
	rules   map[string]int // checks, keys and unique indexes of a table
}

type column struct {
	Of       string
	Type     string
	Required bool
}

// risksOf takes a step and takes it back again.
func risksOf(t *testing.T, url string, step migration.Step) (breaks, blocks []string) {
	t.Helper()
	ctx := t.Context()
	conn, err := pgx.Connect(ctx, url)
	require.NoError(t, err)
	defer conn.Close(ctx) //nolint:errcheck // the test is over for it
	before := readCatalogue(t, conn)
	if step.Online { // stays: what comes next finds it taken
		for _, s := range step.Statements() {
			_, err := conn.Exec(ctx, s)
			require.NoError(t, err)
		}
		return breaksOf(before, readCatalogue(t, conn)), nil
	}
	_, err = conn.PgConn().Exec(ctx, "BEGIN;"+step.SQL).ReadAll()
	require.NoError(t, err)
	after := readCatalogue(t, conn)
	blocks = blocksOf(t, conn, before, after)
	_, err = conn.Exec(ctx, "ROLLBACK")
	require.NoError(t, err)
	return breaksOf(before, after), blocks
}

func readCatalogue(t *testing.T, conn *pgx.Conn) catalogue {
	t.Helper()
	const (
		tables  = `SELECT relname, relfilenode FROM pg_class WHERE relnamespace = current_schema()::regnamespace AND relkind IN ('r', 'p')`
		columns = `SELECT c.relname || '.' || a.attname, c.relname AS of, format_type(a.atttypid, a.atttypmod) AS type,
  a.attnotnull AND NOT a.atthasdef AND a.attidentity = '' AS required
FROM pg_attribute a JOIN pg_class c ON c.oid = a.attrelid
WHERE c.relnamespace = current_schema()::regnamespace AND c.relkind IN ('r', 'p') AND a.attnum > 0 AND NOT a.attisdropped`
		rules = `SELECT relname, (SELECT count(*) FROM pg_constraint k WHERE k.conrelid = c.oid AND k.contype IN ('c', 'f', 'x'))
  + (SELECT count(*) FROM pg_index i WHERE i.indrelid = c.oid AND i.indisunique)
FROM pg_class c WHERE relnamespace = current_schema()::regnamespace AND relkind IN ('r', 'p')`
	)
	k := catalogue{files: map[string]uint32{}, columns: map[string]column{}, rules: map[string]int{}}
	var name string
	var file uint32
	var n int
	var c column
	forEach(t, conn, tables, []any{&name, &file}, func() { k.files[name] = file })
	forEach(t, conn, columns, []any{&name, &c.Of, &c.Type, &c.Required}, func() { k.columns[name] = c })
	forEach(t, conn, rules, []any{&name, &n}, func() { k.rules[name] = n })
	return k
}

func forEach(t *testing.T, conn *pgx.Conn, query string, dest []any, do func()) {
	t.Helper()
	rows, err := conn.Query(context.WithoutCancel(t.Context()), query)
	require.NoError(t, err)
	_, err = pgx.ForEachRow(rows, dest, func() error { do(); return nil })
	require.NoError(t, err)
}

// breaksOf says what statements of the release before would no longer find.
func breaksOf(before, after catalogue) []string {
	var found []string
	for table := range before.files {
		switch {
		case after.files[table] == 0:
			found = append(found, table+" is gone")
		case after.rules[table] > before.rules[table]:
			found = append(found, table+" has a new rule")
		}
	}
	for name, c := range before.columns {
		now, there := after.columns[name]
		switch {
		case after.files[c.Of] == 0: // said
		case !there:
			found = append(found, name+" is gone")
		case now.Type != c.Type:
			found = append(found, name+" is another")
		}
	}
	for name, c := range after.columns {
		if c.Required && before.files[c.Of] != 0 && !before.columns[name].Required {
			found = append(found, name+" must be given")
		}
	}
	slices.Sort(found)
	return found
}

// blocksOf says which tables that were there could not be written to for as long as the
// step takes, which grows with what is in them.
func blocksOf(t *testing.T, conn *pgx.Conn, before, after catalogue) []string {
	t.Helper()
	const locks = `SELECT DISTINCT c.relname, l.mode FROM pg_locks l JOIN pg_class c ON c.oid = l.relation
WHERE l.pid = pg_backend_pid() AND l.granted AND c.relnamespace = current_schema()::regnamespace AND c.relkind = 'r'`
	var found []string
	for table, file := range before.files {
		if now := after.files[table]; now != 0 && now != file {
			found = append(found, table+" is written anew")
		}
	}
	var name, mode string
	forEach(t, conn, locks, []any{&name, &mode}, func() {
		switch {
		case before.files[name] == 0:
		case mode == "ShareLock":
			if before.files[name] == after.files[name] {
				found = append(found, name+" can't be written to")
			}
		case mode == "RowExclusiveLock":
			found = append(found, name+" has rows changed")
		}
	})
	slices.Sort(found)
	return found
}
