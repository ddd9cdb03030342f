package site

import (
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
)

// The fault is one only if a connection that is open sees the clock turned, there and back.
func TestClockOfDatabaseTurns(t *testing.T) {
	if turner() == "" {
		t.Skip("libfaketime is not installed")
	}
	require.NoError(t, ownProc())
	d, err := newDatabase(folder(t), false)
	require.NoError(t, err)
	t.Cleanup(func() {
		d.process.kill()
		d.disk.close()
	})
	conn, err := pgx.Connect(t.Context(), d.url("postgres"))
	require.NoError(t, err)
	for _, by := range []time.Duration{0, 20 * time.Second, -20 * time.Second, 0} {
		require.NoError(t, d.step(by))
		var at time.Time
		require.NoError(t, conn.QueryRow(t.Context(), `SELECT clock_timestamp()`).Scan(&at))
		require.InDelta(t, by.Seconds(), time.Until(at).Seconds(), 5)
	}
	require.NoError(t, conn.Close(t.Context()))
}
