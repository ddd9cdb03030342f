package rest_test

import (
	"encoding/base64"
	"fmt"
	"net/http"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/episode"
	"fhirsvc/internal/fhir/outcome"
)

func entryOf(method, url, resource string, more ...string) string {
	e := fmt.Sprintf(`{"request":{"method":%q,"url":%q`, method, url)
	for _, m := range more {
		name, value, _ := strings.Cut(m, "=")
		e += fmt.Sprintf(`,%q:%q`, name, value)
	}
	e += "}"
	if resource != "" {
		e += `,"resource":` + resource
	}
	return e + "}"
}

func bundleOf(kind string, entries ...string) string {
	if len(entries) == 0 {
		return `{"resourceType":"Bundle","type":"` + kind + `"}`
	}
	return `{"resourceType":"Bundle","type":"` + kind + `","entry":[` + strings.Join(entries, ",") + `]}`
}

func withFullURL(entry, fullURL string) string { return `{"fullUrl":"` + fullURL + `",` + entry[1:] }

// One call for all changes, reads after them, answers in the order of the request
// (hl7.org/fhir/R4/http.html#trules).
func TestTransaction(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.put(resource("Task", "t1", 1, task))
	patch := `[{"op":"test","path":"/status","value":"ready"}]`
	binary := `{"resourceType":"Binary","contentType":"application/json-patch+json","data":"` +
		base64.StdEncoding.EncodeToString([]byte(patch)) + `"}`
	w.put(resource("Task", "t2", 1, `{"resourceType":"Task","id":"t2"}`))
	w.service.warn = []outcome.Issue{outcome.Warnf(outcome.CodeRequired, "performer", "missing")}
	a := w.send(http.MethodPost, "/fhir/", bundleOf("transaction",
		entryOf("GET", "Task/t1", ""),
		withFullURL(entryOf("POST", "Observation", finding, "ifNoneExist=identifier=urn:x|1"), "urn:uuid:1"),
		entryOf("PUT", "Task/t1", `{"resourceType":"Task","id":"t1","status":"completed"}`, `ifMatch=W/"1"`),
		entryOf("PATCH", "Task/t2", binary),
		entryOf("GET", "Task?_id=t1,t2", ""),
		entryOf("GET", "Task/t1/_history", ""),
		entryOf("GET", "Task/t1/_history/1", ""),
		entryOf("GET", "Task/none", ""),
	))
	require.Equal(t, 200, a.StatusCode, a.text)
	require.Equal(t, "transaction-response", a.doc.Str("type"))
	require.Nil(t, a.doc.Get("total"), "bdl-1: total in searchset and history alone")

	require.Len(t, w.service.calls, 1)
	require.Equal(t, []episode.Entry{
		{Method: "POST", Type: "Observation", FullURL: "urn:uuid:1", IfNoneExist: "identifier=urn:x|1", Body: []byte(finding)},
		{Method: "PUT", Type: "Task", ID: "t1", IfMatch: `W/"1"`, Body: []byte(`{"resourceType":"Task","id":"t1","status":"completed"}`)},
		{Method: "PATCH", Type: "Task", ID: "t2", Body: []byte(patch)},
	}, w.service.calls[0])

	var statuses []string
	for e := range a.doc.Get("entry").Items() {
		statuses = append(statuses, e.Get("response").Str("status"))
	}
	require.Equal(t, []string{"200 OK", "201 Created", "200 OK", "200 OK", "200 OK", "200 OK", "200 OK", "404 Not Found"}, statuses)
	at := a.doc.Get("entry").At
	require.Equal(t, "completed", at(0).Get("resource").Str("status"), "a read sees the writes")
	require.Equal(t, w.server.URL+"/fhir/Observation/new-1-0/_history/1", at(1).Get("response").Str("location"))
	require.Equal(t, `W/"1"`, at(1).Get("response").Str("etag"))
	require.Equal(t, "2025-03-01T08:00:01.250000Z", at(1).Get("response").Str("lastModified"))
	require.Equal(t, "OperationOutcome", at(1).Get("response").Get("outcome").Str("resourceType"))
	require.Nil(t, at(1).Get("resource"))
	require.Equal(t, "2", at(4).Get("resource").Get("total").Text)
	require.Equal(t, "history", at(5).Get("resource").Str("type"))
	require.Contains(t, a.text, task, "vread: byte for byte")
	require.Equal(t, "not-found", at(7).Get("response").Get("outcome").Get("issue").At(0).Str("code"))

	a = w.send(http.MethodPost, "/fhir", bundleOf("transaction", entryOf("POST", "Observation", finding)), "Prefer: return=representation")
	require.Equal(t, "Observation", a.doc.Get("entry").At(0).Get("resource").Str("resourceType"))
}

// A transaction that can't be done says in which entry, and nothing is done.
func TestTransactionsThatAreRefused(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	good := entryOf("POST", "Observation", finding)
	put := entryOf("PUT", "Task/t1", `{"resourceType":"Task","id":"t1"}`)
	tests := []struct {
		name, body string
		status     int
		code       outcome.Code
		at         string
	}{
		{"not a Bundle", finding, 400, outcome.CodeInvalid, "Bundle.type"},
		{"another type of Bundle", bundleOf("collection", good), 400, outcome.CodeInvalid, "Bundle.type"},
		{"no request", bundleOf("transaction", good, `{"resource":`+finding+`}`), 400, outcome.CodeRequired, "Bundle.entry[1].request"},
		{"a type not served", bundleOf("transaction", good, entryOf("POST", "Group", `{"resourceType":"Group"}`)), 404, outcome.CodeNotSupported, "Bundle.entry[1].request"},
		{"a type not written", bundleOf("transaction", entryOf("POST", "Patient", `{"resourceType":"Patient"}`)), 405, outcome.CodeNotSupported, "Bundle.entry[0].request"},
		{"delete", bundleOf("transaction", entryOf("DELETE", "Task/t1", "")), 405, outcome.CodeNotSupported, "Bundle.entry[0].request"},
		{"post to an id", bundleOf("transaction", entryOf("POST", "Observation/1", finding)), 405, outcome.CodeNotSupported, "Bundle.entry[0].request"},
		{"conditional update", bundleOf("transaction", entryOf("PUT", "Task?identifier=1", task)), 400, outcome.CodeNotSupported, "Bundle.entry[0].request"},
		{"another id", bundleOf("transaction", entryOf("PUT", "Task/t2", `{"resourceType":"Task","id":"t1"}`)), 400, outcome.CodeInvalid, "Bundle.entry[0].resource.id"},
		{"no resource", bundleOf("transaction", entryOf("POST", "Observation", "")), 400, outcome.CodeInvalid, ""},
		{"a patch as it is", bundleOf("transaction", entryOf("PATCH", "Task/t1", `{"resourceType":"Task"}`)), 400, outcome.CodeInvalid, "Bundle.entry[0].request"},
		{"the same resource twice", bundleOf("transaction", put, put), 400, outcome.CodeInvalid, "Bundle.entry[1].request"},
		{"the same fullUrl twice", bundleOf("transaction", withFullURL(good, "urn:uuid:1"), withFullURL(good, "urn:uuid:1")), 400, outcome.CodeInvalid, "Bundle.entry[1].request"},
		{"a search that can't be read", bundleOf("transaction", good, entryOf("GET", "Task?due-date=soon", "")), 400, outcome.CodeInvalid, ""},
		{"a read of what is not served", bundleOf("transaction", good, entryOf("GET", "Group/1", "")), 404, outcome.CodeNotSupported, "Bundle.entry[1].request"},
		{"too many", bundleOf("transaction", strings.Split(strings.Repeat(good+"\n", 201), "\n")[:201]...), 403, outcome.CodeTooCostly, ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			issue := w.send(http.MethodPost, "/fhir", tt.body).refused(t, tt.status, tt.code)
			if tt.at != "" {
				require.Equal(t, tt.at, expression(issue))
			}
		})
	}
	require.Empty(t, w.service.calls)
	w.service.fail = outcome.Fail(outcome.CodeConflict, "", "another version is current")
	w.send(http.MethodPost, "/fhir", bundleOf("transaction", good)).refused(t, 412, outcome.CodeConflict)
}

// In a batch each entry stands for itself.
func TestBatch(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.put(resource("Task", "t1", 1, task))
	a := w.send(http.MethodPost, "/fhir", bundleOf("batch",
		entryOf("POST", "Observation", finding),
		entryOf("DELETE", "Task/t1", ""),
		entryOf("GET", "Task?colour=red", ""),
		entryOf("GET", "Task/t1", ""),
		entryOf("POST", "Observation", task),
		entryOf("GET", "metadata", ""),
		entryOf("POST", "ServiceRequest", `{"resourceType":"ServiceRequest"}`),
	))
	require.Equal(t, 200, a.StatusCode, a.text)
	require.Equal(t, "batch-response", a.doc.Str("type"))
	var got []string
	for e := range a.doc.Get("entry").Items() {
		r := e.Get("response")
		got = append(got, r.Str("status")+" "+r.Get("outcome").Get("issue").At(0).Str("code"))
	}
	require.Equal(t, []string{
		"201 Created ", "405 Method Not Allowed not-supported", "400 Bad Request not-supported", "200 OK ",
		"400 Bad Request invalid", "404 Not Found not-supported", "201 Created ",
	}, got)
	require.Len(t, w.service.calls, 2, "one call a change")
	require.Contains(t, a.text, task)

	require.Nil(t, w.send(http.MethodPost, "/fhir", bundleOf("batch")).doc.Get("entry"))
	w.service.fail = &outcome.Error{Kind: outcome.CodeNoStore, Details: "db7"}
	a = w.send(http.MethodPost, "/fhir", bundleOf("batch", entryOf("POST", "Observation", finding)))
	require.Equal(t, "503 Service Unavailable", a.doc.Get("entry").At(0).Get("response").Str("status"))
	require.NotContains(t, a.text, "db7")
}
