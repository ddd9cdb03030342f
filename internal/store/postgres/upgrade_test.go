package postgres_test

import (
	"context"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"fhirsvc/internal/store"
	"fhirsvc/internal/store/migration"
	"fhirsvc/internal/store/postgres"
	"fhirsvc/internal/store/storetest"
)

// nextSteps are what a next release might do to the schema.
func nextSteps(t *testing.T) []migration.Step {
	t.Helper()
	steps, err := postgres.Steps()
	require.NoError(t, err)
	n := len(steps)
	return append(steps,
		migration.Step{Version: n + 1, Name: "grow", Serves: 1, SQL: `ALTER TABLE inbox ADD COLUMN note text;
ALTER TABLE episode ADD COLUMN weight integer NOT NULL DEFAULT 0;
CREATE TABLE extra (id text PRIMARY KEY)`},
		migration.Step{Version: n + 2, Name: "index", Serves: 1, Online: true, SQL: `DROP INDEX CONCURRENTLY IF EXISTS episode_input_at;
CREATE INDEX CONCURRENTLY episode_input_at ON episode_input (at);
`},
	)
}

// The release that serves goes on while the next one changes the schema under it, and while
// somebody else holds the tables that are to be changed: the change waits, the wards don't.
func TestServesWhileTheSchemaGrows(t *testing.T) {
	url := newSchema(t)
	require.NoError(t, postgres.Migrate(t.Context(), url))
	st := mustOpenURL(t, url)
	release := holdTable(t, url, "inbox")

	load := startLoad(t, st, 4)
	migrated := make(chan error, 1)
	go func() {
		migrated <- postgres.MigrateTo(context.WithoutCancel(t.Context()), url+"&application_name=migrator", nextSteps(t))
	}()
	require.Eventually(t, func() bool { return waitsForLock(t, "migrator") }, 30*time.Second, time.Millisecond)
	seen := load.done.Load()
	require.Eventually(t, func() bool { return load.done.Load() > seen+200 }, 30*time.Second, time.Millisecond,
		"commits go on while the change waits for its turn")
	require.Empty(t, migrated, "nobody has let go of the table yet")
	release()
	require.NoError(t, <-migrated)
	seen = load.done.Load()
	require.Eventually(t, func() bool { return load.done.Load() > seen+200 }, 30*time.Second, time.Millisecond)
	load.stop(t)
	require.NoError(t, st.Ping(t.Context()))
	again := mustOpenURL(t, url)
	for worker, n := range load.versions {
		e, err := again.Load(t.Context(), fmt.Sprintf("e%d", worker))
		require.NoError(t, err)
		require.Equal(t, n, e.Version)
	}
}

// holdTable reads a table in a transaction that stays open, as a dump or a careless person
// does.
func holdTable(t *testing.T, url, table string) (release func()) {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), url)
	require.NoError(t, err)
	_, err = conn.Exec(t.Context(), `BEGIN; SELECT count(*) FROM `+table)
	require.NoError(t, err)
	return sync.OnceFunc(func() { require.NoError(t, conn.Close(t.Context())) })
}

// waitsForLock reports whether a session of this name waits for a lock.
func waitsForLock(t *testing.T, application string) bool {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), database)
	require.NoError(t, err)
	defer conn.Close(t.Context()) //nolint:errcheck // it has told
	var waits bool
	const ask = `SELECT EXISTS (SELECT FROM pg_stat_activity WHERE application_name = $1 AND datname = current_database() AND wait_event_type = 'Lock')`
	require.NoError(t, conn.QueryRow(t.Context(), ask, application).Scan(&waits))
	return waits
}

// load commits steps of one episode for each worker, one after the other.
type load struct {
	cancel   context.CancelFunc
	workers  sync.WaitGroup
	done     atomic.Int64
	failed   atomic.Pointer[error]
	versions []int64 // of each worker's episode, once stopped
}

func startLoad(t *testing.T, st store.Store, workers int) *load {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	l := &load{cancel: cancel, versions: make([]int64, workers)}
	for w := range workers {
		l.workers.Go(func() {
			for n := int64(0); ctx.Err() == nil; n++ {
				if err := chartOnce(st, w, n); err != nil {
					l.failed.CompareAndSwap(nil, &err)
					return
				}
				l.versions[w] = n + 1
				l.done.Add(1)
			}
		})
	}
	return l
}

// chartOnce commits a step and reads it again.
func chartOnce(st store.Store, worker int, n int64) error {
	id, key := fmt.Sprintf("e%d", worker), fmt.Sprintf("%d/%d", worker, n)
	c := store.Changeset{
		Inbox:      &store.Inbox{Source: "s", ID: key, Digest: key},
		Episodes:   []store.EpisodeChange{{ID: id, Expected: n, Input: store.Input{Seq: n + 1}}},
		Resources:  []store.Resource{{Type: "Task", ID: id, Version: n + 1, Episode: id, Body: []byte(`{}`)}},
		Identities: []store.Identity{{Type: "Task", System: "s", Value: key, ID: id}},
		Outbox:     []store.Outbox{{Episode: id, MessageID: key}},
	}
	results, err := st.Commit(context.Background(), []store.Changeset{c})
	if err == nil && results[0].Status != store.Committed {
		err = fmt.Errorf("step %s: %v", key, results[0])
	}
	if err == nil {
		_, err = st.Read(context.Background(), "Task", id)
	}
	return err
}

func (l *load) stop(t *testing.T) {
	t.Helper()
	l.cancel()
	l.workers.Wait()
	if err := l.failed.Load(); err != nil {
		require.NoError(t, *err)
	}
}

var keepStatements = flag.Bool("statements", false, "keep what this release asks the database, before the next one changes the schema")

const statementEnd = "\n----\n"

// Each release leaves its statements behind (-statements). They must stay possible on every
// later schema that says it serves it.
func TestStatementsOfEarlierReleases(t *testing.T) {
	url := newSchema(t)
	require.NoError(t, postgres.Migrate(t.Context(), url))
	steps, err := postgres.Steps()
	require.NoError(t, err)
	if *keepStatements {
		keepAll(t, statementsFile(len(steps)))
	}
	conn, err := pgx.Connect(t.Context(), url)
	require.NoError(t, err)
	defer conn.Close(t.Context()) //nolint:errcheck // the test is over for it
	served := 0
	for level := steps[len(steps)-1].Serves; level <= len(steps); level++ {
		text, err := os.ReadFile(statementsFile(level))
		if os.IsNotExist(err) {
			continue // nobody released with that schema
		}
		require.NoError(t, err)
		for i, sql := range strings.Split(strings.TrimSuffix(string(text), statementEnd), statementEnd) {
			_, err := conn.Prepare(t.Context(), fmt.Sprintf("s%d_%d", level, i), sql)
			require.NoError(t, err, "schema %d, asked by the release of schema %d:\n%s", len(steps), level, sql)
			served++
		}
	}
	require.Greater(t, served, 30, "there is nothing to try")
}

func statementsFile(level int) string {
	return filepath.Join("testdata", "statements", fmt.Sprintf("%03d.txt", level))
}

// keepAll plays the contract and writes what the server was asked to prepare.
func keepAll(t *testing.T, file string) {
	t.Helper()
	var all []string
	storetest.Run(t, func(t *testing.T) store.Store {
		url := newSchema(t)
		require.NoError(t, postgres.Migrate(t.Context(), url))
		st := mustOpenURL(t, url)
		if strings.Contains(t.Name(), "equals") { // what is asked by chance says no more, at great length
			return st
		}
		t.Cleanup(func() { // before the store is closed
			asked, err := st.Statements(context.WithoutCancel(t.Context()))
			require.NoError(t, err)
			all = append(all, asked...)
		})
		return st
	})
	slices.Sort(all)
	require.NoError(t, os.MkdirAll(filepath.Dir(file), 0o750))
	require.NoError(t, os.WriteFile(file, []byte(strings.Join(slices.Compact(all), statementEnd)+statementEnd), 0o600))
}

// An index whose building was broken off stays, and is no index: the next try builds it anew
// (PostgreSQL, CREATE INDEX, "Building Indexes Concurrently").
func TestHalfBuiltIndexesAreBuiltAnew(t *testing.T) {
	url := newSchema(t)
	steps, err := postgres.Steps()
	require.NoError(t, err)
	broken := slices.IndexFunc(steps, func(s migration.Step) bool { return s.Online })
	require.NoError(t, postgres.MigrateTo(t.Context(), url, steps[:broken]))
	exec(t, url, `CREATE INDEX search_index_of ON search_index (id)`)
	exec(t, url, `UPDATE pg_index SET indisvalid = false WHERE indexrelid = 'search_index_of'::regclass`)
	require.NoError(t, postgres.Migrate(t.Context(), url))

	conn, err := pgx.Connect(t.Context(), url)
	require.NoError(t, err)
	defer func() { require.NoError(t, conn.Close(t.Context())) }()
	var invalid int
	require.NoError(t, conn.QueryRow(t.Context(), `SELECT count(*) FROM pg_index i JOIN pg_class c ON c.oid = i.indexrelid
WHERE c.relnamespace = current_schema()::regnamespace AND NOT i.indisvalid`).Scan(&invalid))
	require.Zero(t, invalid)
}
