package postgres_test

import (
	"net/url"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fault/link"
	"fhirsvc/internal/store/postgres"
)

// through gives the URL of a database by a link of its own.
func through(t *testing.T, at string) (string, *link.Link) {
	t.Helper()
	u, err := url.Parse(at)
	require.NoError(t, err)
	l, err := link.New(u.Host)
	require.NoError(t, err)
	t.Cleanup(l.Close)
	u.Host = l.Addr()
	return u.String(), l
}

// inTime wants something to end well before anybody gives it up.
func inTime(t *testing.T, limit time.Duration, what string, do func()) {
	t.Helper()
	done := make(chan struct{})
	go func() {
		defer close(done)
		do()
	}()
	select {
	case <-done:
	case <-time.After(limit):
		t.Fatalf("%s does not end within %s", what, limit)
	}
}

// A gateway that has forgotten the connections tells nobody: those that were idle are found
// out before they are used, and the store works on new ones. Found by a fault run.
func TestIdleConnectionsThatWereForgotten(t *testing.T) {
	at := newSchema(t)
	require.NoError(t, postgres.Migrate(t.Context(), at))
	at, l := through(t, at)
	st := mustOpenURL(t, at)
	require.NoError(t, st.Ping(t.Context()))
	time.Sleep(1100 * time.Millisecond) // pgxpool asks those alone that were idle for a second
	l.Lose()
	inTime(t, 8*time.Second, "a ping", func() { require.NoError(t, st.Ping(t.Context())) })
}

// A statement whose answer never comes ends, also for a caller with endless patience, and
// the next one has another connection.
func TestStatementWithoutAnAnswer(t *testing.T) {
	at := newSchema(t)
	require.NoError(t, postgres.Migrate(t.Context(), at))
	at, l := through(t, at)
	st, err := postgres.OpenWithin(t.Context(), at, time.Second)
	require.NoError(t, err)
	t.Cleanup(st.Close)
	l.Lose()
	inTime(t, 8*time.Second, "a ping", func() { require.Error(t, st.Ping(t.Context())) })
	require.NoError(t, st.Ping(t.Context()))
}

// What hangs in a call does not keep the process from ending.
func TestCloseWhileACallHangs(t *testing.T) {
	at := newSchema(t)
	require.NoError(t, postgres.Migrate(t.Context(), at))
	at, l := through(t, at)
	st := mustOpenURL(t, at)
	l.Set(link.Swallowing)
	asked := make(chan struct{})
	go func() {
		close(asked)
		_ = st.Ping(t.Context()) // it hears nothing
	}()
	<-asked
	time.Sleep(50 * time.Millisecond) // until it has its connection
	inTime(t, 8*time.Second, "Close", st.Close)
}

// The server, too, finds out within half a minute that a client is gone without a word: what
// the client had locked is free again. Found by a fault run (seed 1004).
func TestServerNoticesThatAClientIsGone(t *testing.T) {
	at := newSchema(t)
	require.NoError(t, postgres.Migrate(t.Context(), at))
	found, err := mustOpenURL(t, at).Settings(t.Context(), "tcp_keepalives_idle", "tcp_keepalives_interval", "tcp_keepalives_count", "idle_in_transaction_session_timeout")
	require.NoError(t, err)
	require.Equal(t, []string{"10", "5", "3", "10s"}, found)
}
