package postgres_test

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"os"
	"strings"
	"sync/atomic"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"fhirsvc/internal/store"
	"fhirsvc/internal/store/postgres"
	"fhirsvc/internal/store/storetest"
)

const serverURL = "FHIRSVC_TEST_DATABASE_URL"

// database is the URL of this run's throw-away database, set once by TestMain.
var database string

func TestMain(m *testing.M) {
	code, err := runWithDatabase(m)
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		code = 1
	}
	os.Exit(code)
}

func runWithDatabase(m *testing.M) (code int, err error) {
	server := os.Getenv(serverURL)
	if server == "" {
		return 1, fmt.Errorf("%s is not set: these tests need a PostgreSQL server on which they may create a database; `make test` sets one up", serverURL)
	}
	ctx := context.Background()
	conn, err := pgx.Connect(ctx, server)
	if err != nil {
		return 1, fmt.Errorf("%s: %w", serverURL, err)
	}
	defer func() { err = errors.Join(err, conn.Close(ctx)) }()
	name := fmt.Sprintf("fhirsvc_test_%d", os.Getpid())
	if _, err := conn.Exec(ctx, "CREATE DATABASE "+name); err != nil {
		return 1, err
	}
	database = withPath(server, name)
	code = m.Run()
	_, err = conn.Exec(ctx, "DROP DATABASE "+name+" WITH (FORCE)")
	return code, err
}

func withPath(server, name string) string {
	u, err := url.Parse(server)
	if err != nil {
		panic(err) // pgx has parsed it
	}
	u.Path = "/" + name
	return u.String()
}

var schemas atomic.Int64

// newSchema gives the URL of an empty schema of this run's database.
func newSchema(t testing.TB) string {
	t.Helper()
	name := fmt.Sprintf("s%d", schemas.Add(1))
	exec(t, database, "CREATE SCHEMA "+name)
	sign := "?"
	if strings.Contains(database, "?") {
		sign = "&"
	}
	return database + sign + "search_path=" + name
}

func exec(t testing.TB, url, sql string, args ...any) {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), url)
	require.NoError(t, err)
	_, err = conn.Exec(t.Context(), sql, args...)
	require.NoError(t, errors.Join(err, conn.Close(t.Context())))
}

// mustOpen gives an empty store.
func mustOpen(t testing.TB) *postgres.Store {
	t.Helper()
	url := newSchema(t)
	require.NoError(t, postgres.Migrate(t.Context(), url))
	return mustOpenURL(t, url)
}

func mustOpenURL(t testing.TB, url string) *postgres.Store {
	t.Helper()
	st, err := postgres.Open(t.Context(), url)
	require.NoError(t, err)
	t.Cleanup(st.Close)
	return st
}

// TestContract empties one schema for each test: making one costs some forty files.
func TestContract(t *testing.T) {
	const empty = `DO $$
DECLARE name text;
BEGIN
  FOR name IN SELECT tablename FROM pg_tables
    WHERE schemaname = current_schema() AND tablename NOT IN ('schema_version', 'outbox_lease', 'subscription_partition')
  LOOP
    EXECUTE 'DELETE FROM ' || quote_ident(name);
  END LOOP;
  UPDATE outbox_lease SET leased_until = '-infinity';
END $$`
	url := newSchema(t)
	require.NoError(t, postgres.Migrate(t.Context(), url))
	storetest.Run(t, func(t *testing.T) store.Store {
		exec(t, url, empty)
		return mustOpenURL(t, url)
	})
}
