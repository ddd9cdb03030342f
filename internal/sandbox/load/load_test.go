package load

import (
	"context"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
)

// Cases begin at their instants, however long it takes to begin one, and telling how far it is
// costs none.
func TestEveryKeepsTheRate(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
		defer cancel()
		began := time.Now()
		var at []time.Duration
		told := 0
		every(ctx, 500*time.Millisecond, time.Second, func(n int) {
			require.Len(t, at, n)
			at = append(at, time.Since(began))
			if n == 3 {
				time.Sleep(2 * time.Second) // a slow one
			}
		}, func() { told++ })
		require.GreaterOrEqual(t, len(at), 20)
		require.Equal(t, 1500*time.Millisecond, at[3])
		require.Equal(t, 3500*time.Millisecond, at[4], "what was held up is made up for")
		require.Equal(t, 3500*time.Millisecond, at[7])
		require.Equal(t, 4*time.Second, at[8])
		require.Positive(t, told)
	})
}

func TestFigures(t *testing.T) {
	f := newFigures()
	for n := 1; n <= 200; n++ {
		f.watch("POST", "/fhir/Observation", time.Duration(n)*time.Millisecond, 201)
	}
	f.watch("POST", "/fhir/$process-message", time.Second, 503)
	f.watch("PUBLISH", "ehr.procedure.completed", time.Second, 200)
	f.watch("PATCH", "/fhir/Task/1", time.Second, 412)
	f.watch("GET", "/fhir/Task", time.Second, 0)
	require.Equal(t, 201, f.Acknowledged(), "200 findings and one event")
	require.Equal(t, 3, f.Wrong())
	f.ended = f.began.Add(10 * time.Second)
	var b strings.Builder
	require.NoError(t, f.Write(&b))
	require.Regexp(t, `chart +200 +20\.0 +101\.0 ms +199\.0 ms +200\.0 ms +200\.0 ms +0\n`, b.String())
	require.Regexp(t, `event +2 +0\.2 .* 1\n`, b.String())
}

// A service whose clock can't be asked is charted on afterwards, hours in seconds.
func TestClockOf(t *testing.T) {
	server := httptest.NewServer(http.NotFoundHandler())
	defer server.Close()
	client, err := dial(Options{HTTP: server.URL})
	require.NoError(t, err)
	next, afterwards := clockOf(t.Context(), client, 10*time.Second)
	require.True(t, afterwards)
	c := next()
	require.Equal(t, 360, c.speed)
	now, err := c.Now(t.Context())
	require.NoError(t, err)
	require.WithinDuration(t, time.Now().Add(-before), now, time.Minute)
	require.NoError(t, c.Wait(t.Context(), now.Add(36*time.Second)))
	later, err := c.Now(t.Context())
	require.NoError(t, err)
	require.False(t, later.Before(now.Add(36*time.Second)))
}
