package rest_test

import (
	"net/http"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
)

// task is a stored body with what a rewrite would change: order, white space, an
// escape, a decimal's zeros.
const task = `{"resourceType":"Task", "id":"t1","meta":{"versionId":"1"},"status":"ready","intent":"order","description":"<b> \u0026 1",
 "input":[{"type":{"text":"x"},"valueQuantity":{"value":1.30}}]}`

func TestReadServesStoredBytes(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.put(resource("Task", "t1", 1, task))
	for _, path := range []string{"/fhir/Task/t1", "/fhir/Task/t1/", "/fhir/Task/t1/_history/1", "/fhir/Task/t1?_format=json"} {
		a := w.get(path)
		require.Equal(t, 200, a.StatusCode, path)
		require.Equal(t, task, a.text)
		require.Equal(t, `W/"1"`, a.Header.Get("ETag"))
		require.Equal(t, "Sat, 01 Mar 2025 08:00:01 GMT", a.Header.Get("Last-Modified"))
		require.Equal(t, "application/fhir+json; charset=utf-8", a.Header.Get("Content-Type"))
	}
	w.put(resource("Task", "t1", 2, `{"resourceType":"Task","id":"t1","status":"in-progress"}`))
	require.Contains(t, w.get("/fhir/Task/t1").text, "in-progress")
	require.Equal(t, task, w.get("/fhir/Task/t1/_history/1").text, "an old version stays as it was")
	require.Contains(t, w.get("/fhir/Task?_id=t1").text, "in-progress")
}

// R4 http.html#cread.
func TestConditionalRead(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.put(resource("Task", "t1", 1, task))
	for _, tag := range []string{`W/"1"`, `"1"`, `W/"7", W/"1"`, "*"} {
		a := w.get("/fhir/Task/t1", "If-None-Match: "+tag)
		require.Equal(t, 304, a.StatusCode, tag)
		require.Empty(t, a.text)
		require.Equal(t, `W/"1"`, a.Header.Get("ETag"))
	}
	require.Equal(t, 200, w.get("/fhir/Task/t1", `If-None-Match: W/"2"`).StatusCode)

	// RFC 9110 section 13.1.3: to the second, and only where there is no If-None-Match.
	since := "If-Modified-Since: " + w.get("/fhir/Task/t1").Header.Get("Last-Modified")
	require.Equal(t, 304, w.get("/fhir/Task/t1", since).StatusCode)
	require.Equal(t, 200, w.get("/fhir/Task/t1", since, `If-None-Match: W/"2"`).StatusCode)
	require.Equal(t, 200, w.get("/fhir/Task/t1", "If-Modified-Since: Sat, 01 Mar 2025 08:00:00 GMT").StatusCode)
	require.Equal(t, 200, w.get("/fhir/Task/t1", "If-Modified-Since: yesterday").StatusCode)
}

func TestHead(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.put(resource("Task", "t1", 1, task))
	for _, path := range []string{"/fhir/Task/t1", "/fhir/Task", "/fhir/Task/t1/_history", "/fhir/metadata", "/livez", "/readyz"} {
		a := w.send(http.MethodHead, path, "")
		require.Equal(t, 200, a.StatusCode, path)
		require.Empty(t, a.text)
	}
	require.Equal(t, 404, w.send(http.MethodHead, "/fhir/Task/none", "").StatusCode)
}

// R4 http.html#history and bundle.html bdl-1, bdl-3, bdl-4, bdl-8.
func TestHistory(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.put(resource("Task", "t1", 1, task))
	w.put(resource("Task", "t1", 2, `{"resourceType":"Task","id":"t1"}`))
	a := w.get("/fhir/Task/t1/_history")
	require.Equal(t, 200, a.StatusCode)
	require.Equal(t, "history", a.doc.Str("type"))
	require.Equal(t, "2", a.doc.Get("total").Text)
	require.Equal(t, 2, a.doc.Get("entry").Len())
	require.Contains(t, a.text, task, "byte for byte")
	newest, oldest := a.doc.Get("entry").At(0), a.doc.Get("entry").At(1)
	for e := range a.doc.Get("entry").Items() {
		require.Equal(t, w.server.URL+"/fhir/Task/t1", e.Str("fullUrl"))
	}
	require.Equal(t, "PUT", newest.Get("request").Str("method"))
	require.Equal(t, "Task/t1", newest.Get("request").Str("url"))
	require.Equal(t, `W/"2"`, newest.Get("response").Str("etag"))
	require.Equal(t, "200", newest.Get("response").Str("status"))
	require.Equal(t, "2025-03-01T08:00:02.250000Z", newest.Get("response").Str("lastModified"))
	require.Equal(t, "POST", oldest.Get("request").Str("method"))
	require.Equal(t, "Task", oldest.Get("request").Str("url"))
	require.Equal(t, "201", oldest.Get("response").Str("status"))
}

func TestWhatIsNotThere(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.put(resource("Task", "t1", 1, task))
	tests := []struct {
		path   string
		status int
		code   outcome.Code
	}{
		{"/fhir/Task/none", 404, outcome.CodeNotFound},
		{"/fhir/Task/none/_history", 404, outcome.CodeNotFound},
		{"/fhir/Task/t1/_history/2", 404, outcome.CodeNotFound},
		{"/fhir/Task/t1/_history/0", 404, outcome.CodeNotFound},
		{"/fhir/Task/t1/_history/x", 404, outcome.CodeNotFound},
		{"/fhir/Task/t1/_history/99999999999999999999", 404, outcome.CodeNotFound},
		{"/fhir/Task/t%00/", 404, outcome.CodeNotFound},
		{"/fhir/Task/t%2F1", 404, outcome.CodeNotFound},
		{"/fhir/Task/t1/name", 404, outcome.CodeNotFound},
		{"/fhir/Medication/1", 404, outcome.CodeNotSupported},
		{"/fhir/Medication", 404, outcome.CodeNotSupported},
		{"/fhir/Nonsense/1/_history/2", 404, outcome.CodeNotSupported},
		{"/fhir/$everything", 404, outcome.CodeNotFound},
		{"/nothing", 404, outcome.CodeNotFound},
		{"/", 404, outcome.CodeNotFound},
		{"/fhir", 405, outcome.CodeNotSupported},
		{"/fhir/Task/t1?_elements=colour", 400, outcome.CodeNotSupported},
		{"/fhir/Task/t1/_history?_since=2025", 400, outcome.CodeInvalid},
		{"/fhir/Task/t1/_history?_count=0", 400, outcome.CodeInvalid},
		{"/fhir/Task/_history?_count=x", 400, outcome.CodeInvalid},
		{"/fhir/Task/_history?_at=2025", 400, outcome.CodeNotSupported},
		{"/fhir/Task/_history?_cursor=x", 400, outcome.CodeInvalid},
		{"/fhir/Task/_history?_cursor=x&_count=2", 400, outcome.CodeInvalid},
		{"/fhir/Medication/_history", 404, outcome.CodeNotSupported},
	}
	for _, tt := range tests {
		t.Run(tt.path, func(t *testing.T) {
			t.Parallel()
			w.get(tt.path).refused(t, tt.status, tt.code)
		})
	}
}

func TestProbes(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	require.Equal(t, "ok\n", w.get("/livez").text)
	require.Equal(t, "ok\n", w.get("/readyz").text)
	w.remark = "the broker is away"
	require.Equal(t, "the broker is away\n", w.get("/readyz").text, "said, and no reason to send nobody here")
	w.ready = outcome.Fail(outcome.CodeNoStore, "ping", "host db7 away")
	a := w.get("/readyz")
	a.refused(t, 503, outcome.CodeTransient)
	require.Equal(t, "2", a.Header.Get("Retry-After"))
	require.NotContains(t, a.text, "host db7", "the cause is for the log; a trace id may have the letters")
	require.Equal(t, 200, w.get("/livez").StatusCode)
}
