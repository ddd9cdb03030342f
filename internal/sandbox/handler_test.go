package sandbox

import (
	"context"
	"encoding/json"
	"errors"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// fakeDriver has instants that are due and notes in which order what was asked of it.
type fakeDriver struct {
	clock *Clock
	due   []time.Time
	notes []string
	fault error
}

func (d *fakeDriver) CaughtUp(context.Context) error {
	d.notes = append(d.notes, "caught up at "+d.clock.Now().Format("15:04"))
	return d.fault
}

func (d *fakeDriver) NextDue(context.Context) (time.Time, bool, error) {
	if len(d.due) == 0 {
		return time.Time{}, false, nil
	}
	return d.due[0], true, nil
}

func (d *fakeDriver) FireDue(context.Context) error {
	d.notes = append(d.notes, "fired at "+d.clock.Now().Format("15:04"))
	for len(d.due) > 0 && !d.due[0].After(d.clock.Now()) {
		d.due = d.due[1:]
	}
	return nil
}

func newTestClock(t *testing.T, kind string) (*Clock, *fakeDriver, *ClockHandler) {
	t.Helper()
	c, err := OpenClock(kind, start, filepath.Join(t.TempDir(), "clock.json"))
	require.NoError(t, err)
	d := &fakeDriver{clock: c}
	return c, d, NewClockHandler(c, d, slog.New(slog.DiscardHandler))
}

func ask(h http.Handler, method, body string) *httptest.ResponseRecorder {
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest(method, "/sandbox/clock", strings.NewReader(body)))
	return w
}

func TestClockHandlerHaltsAtEachDueInstant(t *testing.T) {
	c, d, h := newTestClock(t, "manual")
	at := func(m int) time.Time { return start.Add(time.Duration(m) * time.Minute) }
	d.due = []time.Time{at(-1), at(5), at(5), at(10), at(15), at(16)}
	w := ask(h, http.MethodPost, `{"advance": "PT15M"}`)
	require.Equal(t, http.StatusOK, w.Code, w.Body)
	require.JSONEq(t, `{"now": "2025-03-04T09:45:00Z"}`, w.Body.String())
	require.Equal(t, []string{"caught up at 09:30", "fired at 09:30", "fired at 09:35", "fired at 09:40", "fired at 09:45"}, d.notes)
	require.Equal(t, at(15), c.Now())
	require.Equal(t, []time.Time{at(16)}, d.due)

	w = ask(h, http.MethodPost, `{"now": "2025-03-04T11:00:00+01:00"}`)
	require.Equal(t, http.StatusOK, w.Code, w.Body)
	require.JSONEq(t, `{"now": "2025-03-04T10:00:00Z"}`, ask(h, http.MethodGet, "").Body.String())
}

func TestClockHandlerRefuses(t *testing.T) {
	tests := []struct {
		name, clock, method, body string
		status                    int
		code                      string
	}{
		{"backwards", "manual", http.MethodPost, `{"now": "2025-03-04T09:29:59Z"}`, 422, "business-rule"},
		{"backwards by a duration", "manual", http.MethodPost, `{"advance": "-PT1M"}`, 422, "business-rule"},
		{"not manual", "fast:60", http.MethodPost, `{"advance": "PT1M"}`, 422, "business-rule"},
		{"not JSON", "manual", http.MethodPost, `advance`, 400, "value"},
		{"neither", "manual", http.MethodPost, `{}`, 400, "value"},
		{"both", "manual", http.MethodPost, `{"advance": "PT1M", "now": "2025-03-04T10:00:00Z"}`, 400, "value"},
		{"no duration", "manual", http.MethodPost, `{"advance": "soon"}`, 400, "value"},
		{"too long", "manual", http.MethodPost, `{"advance": "` + strings.Repeat("P", 5000) + `"}`, 413, "too-long"},
		{"method", "manual", http.MethodDelete, ``, 405, "not-supported"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, _, h := newTestClock(t, tt.clock)
			requireOutcome(t, ask(h, tt.method, tt.body), tt.status, tt.code)
		})
	}
}

func TestClockHandlerSaysWhenATurnFails(t *testing.T) {
	c, d, h := newTestClock(t, "manual")
	d.fault = errors.New("broker away")
	requireOutcome(t, ask(h, http.MethodPost, `{"advance": "PT1M"}`), 503, "transient")
	require.Equal(t, start, c.Now())
}

func requireOutcome(t *testing.T, w *httptest.ResponseRecorder, status int, code string) {
	t.Helper()
	require.Equal(t, status, w.Code, w.Body)
	require.Equal(t, "application/fhir+json", w.Header().Get("Content-Type"))
	var got struct {
		ResourceType string
		Issue        []struct{ Severity, Code string }
	}
	require.NoError(t, json.Unmarshal(w.Body.Bytes(), &got))
	require.Equal(t, "OperationOutcome", got.ResourceType)
	require.Equal(t, code, got.Issue[0].Code)
}
