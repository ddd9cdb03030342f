package rest_test

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/episode"
	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/rest"
	"fhirsvc/internal/store"
	"fhirsvc/internal/store/storetest"
)

var morning = time.Date(2025, 3, 1, 8, 0, 0, 250_000_000, time.UTC)

// service is the charting and messaging side: it stores what it is given, without any
// rule, and remembers the calls.
type service struct {
	mu      sync.Mutex
	store   store.Store
	calls   [][]episode.Entry
	by      episode.Client
	message episode.Message
	fail    error
	explode bool
	warn    []outcome.Issue
	repeat  bool
}

func (s *service) Chart(ctx context.Context, by episode.Client, entries []episode.Entry) ([]episode.EntryResult, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.calls, s.by = append(s.calls, entries), by
	if s.explode {
		panic("Jane Doe")
	}
	if s.fail != nil {
		return nil, s.fail
	}
	var out []episode.EntryResult
	for i, e := range entries {
		id := e.ID
		if e.Method == http.MethodPost {
			id = fmt.Sprintf("new-%d-%d", len(s.calls), i)
		}
		version := int64(1)
		if old, err := s.store.Read(ctx, e.Type, id); err == nil {
			version = old.Version + 1
		}
		body := e.Body
		if e.Method == http.MethodPatch {
			body = []byte(`{"resourceType":"` + e.Type + `","id":"` + id + `"}`)
		}
		r := resource(e.Type, id, version, string(body))
		if err := put(ctx, s.store, r); err != nil {
			return nil, err
		}
		out = append(out, episode.EntryResult{Created: version == 1 && !s.repeat, Resource: r, Warnings: s.warn})
	}
	return out, nil
}

func (s *service) Message(_ context.Context, m episode.Message) (episode.MessageAnswer, error) {
	s.message = m
	return episode.MessageAnswer{Response: []byte(`{"resourceType":"Bundle","type":"message","timestamp":"2025-03-01T08:00:00Z",
"entry":[{"fullUrl":"urn:uuid:00000000-0000-4000-8000-000000000009","resource":{"resourceType":"MessageHeader",
"eventUri":"urn:event","source":{"endpoint":"https://fhirsvc.example"}}}]}`)}, s.fail
}

// Handover gives a page of nothing, of a plan that is there.
func (s *service) Handover(ctx context.Context, _ episode.Units, plan, _ string) ([]byte, store.Resource, error) {
	r, err := s.store.Read(ctx, "CarePlan", plan)
	return []byte(`{"resourceType":"Bundle","type":"document","timestamp":"2025-03-01T08:00:00Z",
"identifier":{"system":"urn:page","value":"1"},"entry":[{"fullUrl":"urn:uuid:00000000-0000-4000-8000-000000000008",
"resource":{"resourceType":"Composition","status":"final","type":{"text":"hand-over"},"date":"2025-03-01",
"author":[{"display":"fhirsvc"}],"title":"Nothing"}}]}`), r, err
}

// Timeline draws nothing, of a plan that is there.
func (s *service) Timeline(ctx context.Context, _ episode.Units, plan string) ([]byte, store.Resource, error) {
	r, err := s.store.Read(ctx, "CarePlan", plan)
	return []byte(`<svg xmlns="http://www.w3.org/2000/svg"/>`), r, err
}

func (s *service) SubscriptionStatus(context.Context, store.Resource) ([]byte, error) {
	return []byte(`{"resourceType":"Parameters"}`), s.fail
}

func (s *service) SubscriptionEvents(
	context.Context, episode.Client, store.Resource, int64, int64, fhir.Content,
) ([]byte, []store.Resource, error) {
	return []byte(`{"resourceType":"Bundle","type":"history"}`), nil, s.fail
}

// Apply gives a draft of nothing.
func (s *service) Apply(context.Context, episode.Units, store.Resource, []byte) (draft []byte, patient string, err error) {
	return []byte(completed("CarePlan", "draft", 1, `{"resourceType":"CarePlan"}`)), "Patient/x", nil
}

// resource is a version with this body, completed.
func resource(resourceType, id string, version int64, body string) store.Resource {
	body = completed(resourceType, id, version, body)
	r := store.Resource{
		Type: resourceType, ID: id, Version: version, Updated: morning.Add(time.Duration(version) * time.Second),
		Body: []byte(body), Index: search.Index(resourceType, []byte(body)),
	}
	if resourceType == "Subscription" {
		r.Unit = "urn:fhirsvc:client|screen" // its owner's
	}
	return r
}

func put(ctx context.Context, st store.Store, list ...store.Resource) error {
	results, err := st.Commit(ctx, []store.Changeset{{Resources: list}})
	if err != nil {
		return err
	}
	if results[0].Status != store.Committed {
		return fmt.Errorf("status %d", results[0].Status)
	}
	return nil
}

// world is a service on the wire with the embedded store behind it.
type world struct {
	t       *testing.T
	store   store.Store
	service *service
	ready   error
	remark  string
	log     *bytes.Buffer
	server  *httptest.Server
}

func newWorld(t *testing.T, change ...func(*rest.Options)) *world {
	t.Helper()
	w := &world{t: t}
	w.server = httptest.NewServer(w.handler(t, change...))
	t.Cleanup(w.server.Close)
	return w
}

// handler builds the service without a wire.
func (w *world) handler(t testing.TB, change ...func(*rest.Options)) http.Handler {
	t.Helper()
	st := storetest.Open(t)
	w.store, w.service, w.log = st, &service{store: st}, &bytes.Buffer{}
	o := rest.Options{
		Reading: st, Charting: w.service, Messaging: w.service, Planning: w.service, Subscribing: w.service,
		Ready:  func(context.Context) (string, error) { return w.remark, w.ready },
		Log:    slog.New(slog.NewJSONHandler(w.log, nil)),
		Client: episode.Client{ID: "screen", Display: "Screen"}, Version: "1.2.3", Built: morning,
	}
	for _, f := range change {
		f(&o)
	}
	return rest.New(o)
}

func (w *world) put(list ...store.Resource) {
	w.t.Helper()
	require.NoError(w.t, put(w.t.Context(), w.store, list...))
}

type answer struct {
	*http.Response
	text string
	doc  *tree.Node
}

// send makes a request; headers are "Name: value".
func (w *world) send(method, path, body string, headers ...string) answer {
	w.t.Helper()
	r, err := http.NewRequestWithContext(w.t.Context(), method, w.server.URL+path, strings.NewReader(body))
	require.NoError(w.t, err)
	if body != "" {
		r.Header.Set("Content-Type", "application/fhir+json")
	}
	for _, h := range headers {
		name, value, _ := strings.Cut(h, ": ")
		r.Header.Set(name, value)
	}
	response, err := w.server.Client().Do(r)
	require.NoError(w.t, err)
	defer func() { require.NoError(w.t, response.Body.Close()) }()
	text, err := io.ReadAll(response.Body)
	require.NoError(w.t, err)
	described(w.t, r, response, text)
	valid(w.t, r, response, text)
	a := answer{Response: response, text: string(text)}
	if doc, issues := tree.Parse(text); doc != nil && !outcome.HasErrors(issues) {
		a.doc = doc.Root
	}
	return a
}

func (w *world) get(path string, headers ...string) answer {
	w.t.Helper()
	return w.send(http.MethodGet, path, "", headers...)
}

// refused checks that an answer is a whole OperationOutcome with this status and code.
func (a answer) refused(t *testing.T, status int, code outcome.Code) *tree.Node {
	t.Helper()
	require.Equal(t, status, a.StatusCode, a.text)
	require.Equal(t, "application/fhir+json; charset=utf-8", a.Header.Get("Content-Type"))
	require.Equal(t, "OperationOutcome", a.doc.Str("resourceType"), a.text)
	issue := a.doc.Get("issue").At(0)
	require.Equal(t, string(code), issue.Str("code"), a.text)
	require.NotContains(t, a.text, "goroutine")
	return issue
}

// ids gives the ids of the matches of a searchset in order.
func (a answer) ids() []string {
	var out []string
	for e := range a.doc.Get("entry").Items() {
		if e.Get("search").Str("mode") == "match" {
			out = append(out, e.Get("resource").Str("id"))
		}
	}
	return out
}

func (a answer) link(relation string) string {
	for l := range a.doc.Get("link").Items() {
		if l.Str("relation") == relation {
			return l.Str("url")
		}
	}
	return ""
}

// expression is the first one of an issue, "" for none.
func expression(issue *tree.Node) string {
	if e := issue.Get("expression").At(0); e != nil {
		return e.Text
	}
	return ""
}
