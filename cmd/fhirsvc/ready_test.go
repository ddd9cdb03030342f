package main

import (
	"fmt"
	"net/http"
	"net/url"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"fhirsvc/internal/sandbox"
	"fhirsvc/internal/sandbox/bedside"
)

// superior is a connection to the server beside a database, to do to it what befalls one.
func superior(t *testing.T, s site) (do func(sql string)) {
	t.Helper()
	u, err := url.Parse(s.database)
	require.NoError(t, err)
	name := u.Path[1:]
	u.Path = "/postgres"
	conn, err := pgx.Connect(t.Context(), u.String())
	require.NoError(t, err)
	return func(sql string) {
		t.Helper()
		_, err := conn.Exec(t.Context(), fmt.Sprintf(sql, name))
		require.NoError(t, err)
		_, err = conn.Exec(t.Context(), `SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = $1`, name)
		require.NoError(t, err)
	}
}

// wantReady waits until the service says so, or does not, in these words.
func (w *ward) wantReady(status int, words string) {
	w.Helper()
	require.Eventually(w, func() bool {
		a, err := w.client.Do(w.Context(), http.MethodGet, "/readyz", nil, nil)
		return err == nil && a.Status == status && (words == "" || string(a.Body) == words+"\n")
	}, eventually, tick, "%d %s", status, words)
}

// What /readyz says, for each thing that can be wrong.
func TestReadinessTellsTheTruth(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.migrate(t)
	dir := t.TempDir()
	broker, err := sandbox.StartBroker("127.0.0.1:0", dir)
	require.NoError(t, err)
	s.nats = broker.URL()
	w := s.serve(t)
	w.wantReady(http.StatusOK, "ok")
	do := superior(t, s)

	do(`ALTER DATABASE %s ALLOW_CONNECTIONS false`) // as good as away
	w.wantReady(http.StatusServiceUnavailable, "")
	do(`ALTER DATABASE %s ALLOW_CONNECTIONS true`)
	w.wantReady(http.StatusOK, "ok")

	do(`ALTER DATABASE %s SET default_transaction_read_only = on`)
	w.wantReady(http.StatusServiceUnavailable, "")
	do(`ALTER DATABASE %s RESET default_transaction_read_only`)
	w.wantReady(http.StatusOK, "ok")

	address := broker.URL()[len("nats://"):]
	broker.Close()
	w.wantReady(http.StatusOK, "the broker is away: events and changes wait, charting goes on")
	c := bedside.NewCase(700, "diagnostic", time.Now().Add(-time.Minute))
	require.Equal(t, http.StatusOK, w.processMessage(c.Event()).Status, "and so it does")
	broker, err = sandbox.StartBroker(address, dir)
	require.NoError(t, err)
	t.Cleanup(broker.Close)
	w.wantReady(http.StatusOK, "ok")
	w.find(c)
	w.wantSound(1) // what waited was told

	conn, err := pgx.Connect(t.Context(), s.database)
	require.NoError(t, err)
	defer conn.Close(t.Context()) //nolint:errcheck // the test is over for it
	_, err = conn.Exec(t.Context(), `INSERT INTO schema_version (version, name, serves) VALUES (999, 'later', 999)`)
	require.NoError(t, err)
	w.wantReady(http.StatusServiceUnavailable, "")
	w.wantOutlived()
}

// wantOutlived waits until the process has ended by itself, since the schema serves it no longer.
func (w *ward) wantOutlived() {
	w.Helper()
	select {
	case <-w.process.ended:
	case <-time.After(eventually):
		require.Fail(w, "it goes on")
	}
	require.Equal(w, exitFailed, w.process.cmd.ProcessState.ExitCode())
	require.Contains(w, w.process.stderr.String(), "a newer release changed it")
}
