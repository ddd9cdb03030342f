package rest_test

import (
	"context"
	"encoding/json"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/episode"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/rest"
)

// R4 http.html#custom.
func TestRequestID(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	require.Equal(t, "abc-1.2", w.get("/fhir/Task/x", "X-Request-Id: abc-1.2").Header.Get("X-Request-Id"))
	made := w.get("/livez").Header.Get("X-Request-Id")
	require.Len(t, made, 36)
	require.NotEqual(t, made, w.get("/livez").Header.Get("X-Request-Id"))
	require.Len(t, w.get("/livez", "X-Request-Id: Jane Doe").Header.Get("X-Request-Id"), 36, "not one that may be logged")
}

// Canary: whatever a request holds, none of it is in the log. One line a request, with
// these keys alone.
func TestLogHoldsNothingPersonal(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	const canary = "Canary4711"
	w.put(resource("Task", "t1", 1, task))
	w.get("/fhir/Task/" + canary)
	w.get("/fhir/Task?patient=" + canary)
	w.get("/fhir/Task?" + canary + "=1")
	w.get("/" + canary)
	w.send(canary, "/fhir/Task/t1", "")
	w.send("POST", "/fhir/Task/_search", "patient:identifier="+canary, "Content-Type: application/x-www-form-urlencoded")
	w.send("POST", "/fhir/Observation", `{"resourceType":"`+canary+`"}`, "User-Agent: "+canary, "If-None-Exist: "+canary)
	w.service.fail = &outcome.Error{Kind: outcome.CodeException, Op: "commit", Diagnostics: canary}
	w.send("POST", "/fhir/Observation", finding)
	w.service.explode = true
	w.send("POST", "/fhir/Observation", finding)
	w.server.Close() // waits until the last line is written
	require.NotContains(t, w.log.String(), canary)
	require.NotContains(t, w.log.String(), "Jane", "what a panic said")

	lines := strings.Split(strings.TrimSpace(w.log.String()), "\n")
	require.Len(t, lines, 10, "nine requests and a panic")
	allowed := map[string]bool{
		"time": true, "level": true, "msg": true, "method": true, "route": true, "status": true,
		"duration_ms": true, "trace_id": true, "kind": true, "error": true, "stack": true,
	}
	for _, line := range lines {
		var entry map[string]any
		require.NoError(t, json.Unmarshal([]byte(line), &entry))
		for key := range entry {
			require.True(t, allowed[key], key)
		}
	}
	require.Contains(t, lines[0], `"level":"WARN","msg":"request","method":"GET","route":"/fhir/Task/:id","status":404`)
	require.Contains(t, lines[7], `"level":"ERROR"`)
	require.Contains(t, lines[7], `"error":"commit: exception"`)
	require.Contains(t, lines[8], `"msg":"panic"`)
}

func TestCORS(t *testing.T) {
	t.Parallel()
	w := newWorld(t, func(o *rest.Options) { o.Origins = []string{"https://screen.example"} })
	w.put(resource("Task", "t1", 1, task))
	a := w.send(http.MethodOptions, "/fhir/Task/t1", "", "Origin: https://screen.example",
		"Access-Control-Request-Method: PUT", "Access-Control-Request-Headers: If-Match, Prefer")
	require.Equal(t, 204, a.StatusCode)
	require.Equal(t, "https://screen.example", a.Header.Get("Access-Control-Allow-Origin"))
	for _, name := range []string{"If-Match", "If-None-Match", "If-None-Exist", "Prefer", "Content-Type", "Authorization", "X-Request-Id"} {
		require.Contains(t, a.Header.Get("Access-Control-Allow-Headers"), name)
	}
	for _, method := range []string{"GET", "PUT", "PATCH", "POST"} {
		require.Contains(t, a.Header.Get("Access-Control-Allow-Methods"), method)
	}
	a = w.get("/fhir/Task/t1", "Origin: https://screen.example")
	for _, name := range []string{"ETag", "Location", "Last-Modified", "X-Request-Id"} {
		require.Contains(t, a.Header.Get("Access-Control-Expose-Headers"), name)
	}
	require.Empty(t, w.get("/fhir/Task/t1", "Origin: https://other.example").Header.Get("Access-Control-Allow-Origin"))
	without := newWorld(t)
	require.Empty(t, without.get("/livez", "Origin: https://screen.example").Header.Get("Access-Control-Allow-Origin"))
}

type slow struct{}

func (slow) Chart(ctx context.Context, _ episode.Client, _ []episode.Entry) ([]episode.EntryResult, error) {
	<-ctx.Done()
	return nil, ctx.Err()
}

func TestARequestEndsInTime(t *testing.T) {
	t.Parallel()
	w := newWorld(t, func(o *rest.Options) { o.Charting, o.Timeout = slow{}, 20*time.Millisecond })
	w.send(http.MethodPost, "/fhir/Observation", finding).refused(t, 504, outcome.CodeTimeout)
}
