package rest_test

import (
	"context"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"path"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/api"
	"fhirsvc/internal/episode"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/fhir/validate"
	"fhirsvc/internal/rest"
	"fhirsvc/internal/store/storetest"
)

// whole is the whole service without a wire and open to everybody, with one plan in it; next is
// the address of a second page.
func whole(f *testing.F) (h http.Handler, next string) {
	f.Helper()
	st := storetest.Open(f)
	log := slog.New(slog.DiscardHandler)
	var protocols [][]byte
	for _, body := range api.Protocols() {
		protocols = append(protocols, body)
	}
	release, err := episode.NewRelease(protocols, nil, true)
	require.NoError(f, err)
	service, err := episode.New(f.Context(), episode.Options{
		Store: st, Incoming: incoming(), Outgoing: outgoing(), Clock: func() time.Time { return time.Now().UTC() }, Log: log,
		Release: release, Endpoint: "https://fhirsvc.example/fhir", Software: "test",
	})
	require.NoError(f, err)
	h = rest.New(rest.Options{
		Reading: st, Charting: service, Messaging: service, Planning: service, Ready: func(context.Context) (string, error) { return "", nil },
		Log: log, BaseURL: "http://h.example/fhir", Client: episode.Client{ID: "screen", Display: "Screen"}, Built: morning,
	})
	got := serve(h, "POST", "/fhir/$process-message", event(labA, "P-1", "1"), "Content-Type: application/fhir+json")
	require.Equal(f, 200, got.Code, got.Body.String())
	page, _ := tree.Parse(serve(h, "GET", "/fhir/Task?_count=1&_sort=due-date", "", "").Body.Bytes())
	for link := range page.Root.Get("link").Items() {
		if link.Str("relation") == "next" {
			next = strings.TrimPrefix(link.Str("url"), "http://h.example")
		}
	}
	require.NotEmpty(f, next)
	return h, next
}

// serve makes a request; nil if it can't be one. Headers are lines of "Name: value".
func serve(h http.Handler, method, address, body, headers string) *httptest.ResponseRecorder {
	r, err := http.NewRequest(method, "http://h.example/"+strings.TrimPrefix(address, "/"), strings.NewReader(body))
	if err != nil || method == http.MethodConnect {
		return nil
	}
	for line := range strings.SplitSeq(headers, "\n") {
		name, value, _ := strings.Cut(line, ": ")
		r.Header.Add(name, value)
	}
	got := httptest.NewRecorder()
	h.ServeHTTP(got, r)
	return got
}

// FuzzRequest: whatever is sent to the whole service, the answer is a success or a valid
// OperationOutcome, never HTML, a stack trace or an empty body, and never a fault of ours.
func FuzzRequest(f *testing.F) {
	h, next := whole(f)
	const fhirJSON, patch, form = "Content-Type: application/fhir+json", "Content-Type: application/json-patch+json", "Content-Type: application/x-www-form-urlencoded"
	f.Add("GET", next, "", "")
	f.Add("GET", "/fhir/Task?patient.name=a&_include=Task:patient&_revinclude=Provenance:target&_summary=true", "", "Prefer: handling=lenient")
	f.Add("GET", "/fhir/Task?_cursor=AAAA", "", "Accept: text/html")
	f.Add("GET", "/fhir/Observation?code-value-quantity=band-air-volume$gt5&date=ge2026", "", "Accept: application/json;q=0")
	f.Add("POST", "/fhir/Patient/_search", "name=a&_sort=-birthdate", form)
	f.Add("PATCH", "/fhir/Task/t1", `[{"op":"test","path":"/status","value":"ready"}]`, patch+"\nIf-Match: W/\"1\"")
	f.Add("POST", "/fhir", bundleOf("batch", entryOf("GET", "Task?status=ready&_count=1", "")), fhirJSON)
	f.Add("POST", "/fhir", bundleOf("transaction", entryOf("PUT", "Task/t1", `{"resourceType":"Task","id":"t1"}`)), fhirJSON)
	f.Add("POST", "/fhir/Observation", finding, fhirJSON+"\nIf-None-Exist: identifier=a|b\nPrefer: return=OperationOutcome")
	for _, r := range rest.Routes() {
		f.Add(r.Methods[0], strings.NewReplacer(":id", "x", ":version", "1").Replace(r.Path), "", fhirJSON)
	}
	for file, body := range api.Examples() {
		resourceType, _, _ := strings.Cut(path.Base(file), "-")
		f.Add("POST", "/fhir/"+resourceType, string(body), fhirJSON)
		f.Add("POST", "/fhir/$process-message", string(body), fhirJSON)
	}
	plain := validate.New(validate.Options{})
	f.Fuzz(func(t *testing.T, method, address, body, headers string) {
		got := serve(h, method, address, body, headers)
		if got == nil {
			return
		}
		require.Less(t, got.Code, 500, got.Body.String())
		if got.Code < 400 || method == http.MethodHead {
			return
		}
		require.Equal(t, "application/fhir+json; charset=utf-8", got.Header().Get("Content-Type"))
		for _, i := range plain.Resource(got.Body.Bytes()) {
			require.NotContains(t, []outcome.Severity{outcome.SeverityError, outcome.SeverityFatal}, i.Severity, "%s: %s", i, got.Body)
		}
		doc, _ := tree.Parse(got.Body.Bytes())
		require.Equal(t, "OperationOutcome", doc.Root.Str("resourceType"))
		require.NotContains(t, got.Body.String(), "goroutine 1")
	})
}
