package scale

import (
	"net/http"
	neturl "net/url"
	"slices"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"fhirsvc/internal/episode"
	"fhirsvc/internal/sandbox/bedside"
)

// screen is a client of one unit on a database, and what it is about.
type screen struct {
	*unit
	patients []string
	asked    int
}

func newScreen(t testing.TB, url, own string, now time.Time) *screen {
	t.Helper()
	s := &screen{unit: newUnitFor(t, url, episode.UnitsOf(own), now)}
	rows, err := connect(t, url).Query(t.Context(), `SELECT e.subject FROM episode e WHERE e.due IS NOT NULL AND e.unit = $1 AND EXISTS (
  SELECT 1 FROM search_index WHERE type = 'Patient' AND id = e.subject AND code LIKE 'N-100%') ORDER BY e.id`, own)
	require.NoError(t, err)
	s.patients, err = pgx.CollectRows(rows, pgx.RowTo[string])
	require.NoError(t, err)
	require.NotEmpty(t, s.patients)
	return s
}

// get asks once and gives how long it took.
func (s *screen) get(path string) time.Duration {
	s.Helper()
	began := time.Now()
	a, err := s.client.Do(s.Context(), http.MethodGet, path, nil, nil)
	took := time.Since(began)
	require.NoError(s, err)
	require.Equal(s, http.StatusOK, a.Status, string(a.Body))
	return took
}

// chart enters one finding and gives how long it took.
func (s *screen) chart() time.Duration {
	s.Helper()
	s.asked++
	f := bedside.Finding{
		Code: "hand-check", Answer: "normal", By: bedside.Nurse(), Side: "right",
		At: s.clock.Now().Add(-time.Duration(s.asked) * time.Second), Patient: "Patient/" + s.patients[s.asked%len(s.patients)],
	}
	body := f.Observation()
	began := time.Now()
	_, err := s.client.Create(s.Context(), "Observation", body)
	took := time.Since(began)
	require.NoError(s, err)
	return took
}

// measure asks both databases the same in turn, so that what else the machine does falls on
// both alike.
func measure(t *testing.T, conn *pgx.Conn, url string, now time.Time) {
	var own string
	require.NoError(t, conn.QueryRow(t.Context(), `SELECT unit FROM episode WHERE due IS NOT NULL GROUP BY unit ORDER BY count(*) DESC, unit LIMIT 1`).Scan(&own))
	few, full := newScreen(t, alone(t, conn, own), own, now), newScreen(t, url, own, now)
	due := "due-date=" + neturl.QueryEscape("le"+now.Add(time.Hour).Format(time.RFC3339))
	for _, tt := range []struct {
		name string
		do   func(s *screen) time.Duration
	}{
		{"ward list", func(s *screen) time.Duration {
			return s.get("/fhir/Task?status=ready,in-progress&_sort=due-date&_count=20")
		}},
		{"due list", func(s *screen) time.Duration {
			return s.get("/fhir/Task?status=ready,in-progress&" + due + "&_sort=due-date&_count=20")
		}},
		{"patient's open Tasks", func(s *screen) time.Duration {
			return s.get("/fhir/Task?status=ready,in-progress&patient=Patient/" + s.patients[0])
		}},
		{"chart write", (*screen).chart},
	} {
		for range 20 { // warm
			tt.do(few)
			tt.do(full)
		}
		var a, b []time.Duration
		for range *rounds {
			a, b = append(a, tt.do(few)), append(b, tt.do(full))
		}
		slices.Sort(a)
		slices.Sort(b)
		n := len(a)
		t.Logf("%-22s p50 %6.2f ms, %6.2f full (%.2f)   p99 %6.2f ms, %6.2f full (%.2f)", tt.name,
			ms(a[n/2]), ms(b[n/2]), ms(b[n/2])/ms(a[n/2]), ms(a[n*99/100]), ms(b[n*99/100]), ms(b[n*99/100])/ms(a[n*99/100]))
	}
}

func ms(d time.Duration) float64 { return float64(d.Microseconds()) / 1000 }
