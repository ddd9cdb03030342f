package telemetry

import (
	"bytes"
	"context"
	"errors"
	"io"
	"log/slog"
	"net/http/httptest"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
)

func scrape(t *testing.T, m *Metrics) string {
	t.Helper()
	w := httptest.NewRecorder()
	m.Handler().ServeHTTP(w, httptest.NewRequestWithContext(t.Context(), "GET", "/metrics", nil))
	text, err := io.ReadAll(w.Result().Body)
	require.NoError(t, err)
	require.Equal(t, 200, w.Code, string(text))
	return string(text)
}

// A gauge is read once for all who look within ten seconds; one that can't be read is left out
// and the others are not, until it can be read again.
func TestGauges(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var log bytes.Buffer
		m := NewMetrics("1.2.3")
		reads, away := 0.0, error(nil)
		m.Watch(slog.New(slog.NewTextHandler(&log, nil)),
			Gauge{Name: "reads", Help: "Counts.", Read: func(context.Context) ([]Reading, error) {
				reads++
				return []Reading{{Value: reads}}, nil
			}},
			Gauge{Name: "rooms", Help: "By name.", Label: "room", Read: func(context.Context) ([]Reading, error) {
				return []Reading{{Label: "a", Value: 1}, {Label: "b", Value: 2}}, away
			}},
		)
		first := scrape(t, m)
		require.Contains(t, first, "\nreads 1\n")
		require.Contains(t, first, "rooms{room=\"a\"} 1\nrooms{room=\"b\"} 2\n")
		require.Contains(t, first, `fhirsvc_build_info{version="1.2.3"} 1`)
		require.Contains(t, scrape(t, m), "\nreads 1\n", "it is still fresh")

		away = errors.New("the database is away")
		time.Sleep(fresh)
		second := scrape(t, m)
		require.Contains(t, second, "\nreads 2\n")
		require.NotContains(t, second, "rooms", "an old figure would look like a good one")
		require.Contains(t, log.String(), "gauge not read")

		away = nil
		time.Sleep(fresh)
		require.Contains(t, scrape(t, m), "rooms{room=\"b\"} 2\n")
	})
}
