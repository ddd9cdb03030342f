package rest_test

import (
	"bytes"
	"context"
	"encoding/json"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/episode"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
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

// echoing answers every change without keeping it.
type echoing struct{}

func (echoing) Chart(_ context.Context, _ episode.Client, entries []episode.Entry) ([]episode.EntryResult, error) {
	out := make([]episode.EntryResult, len(entries))
	for i, e := range entries {
		out[i].Resource = resource(e.Type, "x", 1, `{"resourceType":"`+e.Type+`"}`)
	}
	return out, nil
}

// FuzzRequest: whatever is sent, the answer is a success or a whole OperationOutcome of
// R4's codes, never HTML, a stack trace or an empty body, and never a 500.
func FuzzRequest(f *testing.F) {
	f.Add("GET", "/fhir/Task/t1?_format=json", "", "application/fhir+json", "*/*")
	f.Add("POST", "/fhir", bundleOf("batch", entryOf("GET", "Task?status=ready&_count=1", "")), "application/json", "")
	f.Add("POST", "/fhir", bundleOf("transaction", entryOf("PUT", "Task/t1", `{"resourceType":"Task","id":"t1"}`)), "application/fhir+json", "")
	f.Add("PATCH", "/fhir/Task/t1", `[{"op":"test"}]`, "application/json-patch+json", "application/json;q=0")
	f.Add("POST", "/fhir/Patient/_search", "name=a&_sort=-birthdate", "application/x-www-form-urlencoded", "")
	f.Add("GET", "/fhir/Task?_cursor=AAAA", "", "", "text/html")
	w := (&world{}).handler(f, func(o *rest.Options) { o.Charting, o.Log = echoing{}, slog.New(slog.DiscardHandler) })
	f.Fuzz(func(t *testing.T, method, path, body, contentType, accept string) {
		r, err := http.NewRequest(method, "http://h.example/"+strings.TrimPrefix(path, "/"), strings.NewReader(body))
		if err != nil || method == http.MethodConnect {
			return
		}
		r.Header.Set("Content-Type", contentType)
		if accept != "" {
			r.Header.Set("Accept", accept)
		}
		got := httptest.NewRecorder()
		w.ServeHTTP(got, r)
		if got.Code < 400 {
			return
		}
		require.NotEqual(t, 500, got.Code, got.Body.String())
		require.Equal(t, "application/fhir+json; charset=utf-8", got.Header().Get("Content-Type"))
		doc, issues := tree.Parse(bytes.TrimSpace(got.Body.Bytes()))
		require.Empty(t, issues)
		require.Equal(t, "OperationOutcome", doc.Root.Str("resourceType"))
		require.NotEmpty(t, doc.Root.Get("issue").At(0).Str("code"))
	})
}
