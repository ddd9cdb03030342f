package scale

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"os"
	"sync/atomic"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"fhirsvc/internal/store/postgres"
)

const serverURL = "FHIRSVC_TEST_DATABASE_URL"

func TestMain(m *testing.M) {
	if os.Getenv(serverURL) == "" {
		fmt.Fprintf(os.Stderr, "%s is not set: these tests need a PostgreSQL server on which they may create databases; `make test` sets one up\n", serverURL)
		os.Exit(1)
	}
	os.Exit(m.Run())
}

var databases atomic.Int64

// newDatabase makes an empty database with the schema of this release; it is dropped when
// the test ends.
func newDatabase(t testing.TB) string {
	t.Helper()
	name := fmt.Sprintf("fhirsvc_scale_%d_%d", os.Getpid(), databases.Add(1))
	run(t, os.Getenv(serverURL), "CREATE DATABASE "+name)
	t.Cleanup(func() {
		conn, err := pgx.Connect(context.Background(), os.Getenv(serverURL))
		require.NoError(t, err)
		_, err = conn.Exec(context.Background(), "DROP DATABASE "+name+" WITH (FORCE)")
		require.NoError(t, errors.Join(err, conn.Close(context.Background())))
	})
	u, err := url.Parse(os.Getenv(serverURL))
	require.NoError(t, err)
	u.Path = "/" + name
	require.NoError(t, postgres.Migrate(t.Context(), u.String()))
	return u.String()
}

func connect(t testing.TB, url string) *pgx.Conn {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), url)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, conn.Close(context.Background())) })
	return conn
}

func run(t testing.TB, url, sql string, args ...any) {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), url)
	require.NoError(t, err)
	_, err = conn.Exec(t.Context(), sql, args...)
	require.NoError(t, errors.Join(err, conn.Close(t.Context())))
}

func openStore(t testing.TB, url string) *postgres.Store {
	t.Helper()
	st, err := postgres.Open(t.Context(), url)
	require.NoError(t, err)
	t.Cleanup(st.Close)
	return st
}
