package rest_test

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/delivery"
	"fhirsvc/internal/delivery/hook"
	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/rest/smart/smarttest"
)

const fhirJSON = "Content-Type: application/fhir+json"

// subscription is one on a topic or criteria, told at an endpoint.
func subscription(criteria, endpoint, more string) string {
	return fmt.Sprintf(`{"resourceType":"Subscription","status":"requested","reason":"work list","criteria":%q,
"channel":{"type":"rest-hook","endpoint":%q%s}}`, criteria, endpoint, more)
}

// notify tells endpoints of what is due, until done says so.
func (s *secured) notify(done func() bool) {
	s.t.Helper()
	ctx, cancel := context.WithCancel(s.t.Context())
	log := slog.New(slog.NewJSONHandler(s.log, nil))
	n := delivery.NewNotifier(delivery.NotifierOptions{Queues: s.store, Telling: s.real, Sender: hook.NewClient(hook.Loopback()), Log: log})
	m := delivery.NewMatcher(s.store, s.real.Match, n.Wake, log)
	ended := make(chan struct{})
	go func() { defer close(ended); n.Run(ctx) }()
	require.NoError(s.t, m.Drain(ctx))
	require.Eventually(s.t, done, 20*time.Second, 5*time.Millisecond)
	cancel()
	<-ended
}

// the header of a client of this name, with all scopes, of these units.
func (s *secured) client(name string, units ...string) string {
	return s.as(smarttest.Claims{"client_id": name, "fhirsvc_units": units})
}

func (s *secured) mustSubscribe(header, body string) string {
	s.t.Helper()
	a := s.send(http.MethodPost, "/fhir/Subscription", body, fhirJSON, header)
	require.Equal(s.t, 201, a.StatusCode, a.text)
	return a.doc.Str("id")
}

// A Subscription over the wire: created, told, asked about, ended.
func TestSubscriptionOverTheWire(t *testing.T) {
	t.Parallel()
	w := newSecured(t)
	var told atomic.Int64
	endpoint := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		if body, err := io.ReadAll(r.Body); err == nil && strings.Contains(string(body), "event-notification") {
			told.Add(1)
		}
	}))
	t.Cleanup(endpoint.Close)
	a := w.client("screens", labA)
	topic := fhir.Topics()[len(fhir.Topics())-1].URL
	id := w.mustSubscribe(a, subscription(topic, endpoint.URL, `,"payload":"application/fhir+json"`))
	w.take(labA, "P-1", "anna")
	w.take(labB, "P-2", "bert")
	total := w.get("/fhir/Task", a).doc.Get("total").Text
	w.notify(func() bool {
		return fmt.Sprint(told.Load()) == total
	})
	require.Contains(t, w.get("/fhir/Subscription/"+id+"/$status", a).text, `"valueString":"`+total+`"`)
	status := w.get("/fhir/Subscription/"+id+"/$status", a)
	sound(t, status.text)
	require.Equal(t, "searchset", status.doc.Str("type"))
	require.Contains(t, status.text, `{"name":"status","valueCode":"active"}`)
	events := w.get("/fhir/Subscription/"+id+"/$events?eventsSinceNumber=2&eventsUntilNumber=3", a)
	sound(t, events.text)
	require.Contains(t, events.text, `{"name":"event-number","valueString":"2"}`)
	require.NotContains(t, events.text, `{"name":"event-number","valueString":"4"}`)

	other := w.mustSubscribe(a, subscription("Task?status=ready", endpoint.URL, ""))
	all := w.get("/fhir/Subscription/$status", a)
	sound(t, all.text)
	require.Equal(t, 2, all.doc.Get("entry").Len())
	require.Equal(t, 1, w.get("/fhir/Subscription/$status?id="+other, a).doc.Get("entry").Len())
	require.Equal(t, 1, w.get("/fhir/Subscription/$status?status=active", a).doc.Get("entry").Len())
	require.Equal(t, 2, w.get("/fhir/Subscription/$status?status=active&status=requested&id="+id+"&id="+other, a).doc.Get("entry").Len())
	require.Nil(t, w.get("/fhir/Subscription/$status?status=off", a).doc.Get("entry"))
	ended := w.send(http.MethodPatch, "/fhir/Subscription/"+id, `[{"op":"replace","path":"/status","value":"off"}]`, "Content-Type: application/json-patch+json", a)
	require.Equal(t, 200, ended.StatusCode, ended.text)
	require.Equal(t, 1, w.get("/fhir/Subscription/$status?status=off", a).doc.Get("entry").Len())
	require.Equal(t, 3, w.get("/fhir/Subscription/"+id+"/_history", a).doc.Get("entry").Len())
	require.Equal(t, "1", w.get("/fhir/Provenance?target=Subscription/"+other, a).doc.Get("total").Text)
}

func TestSubscriptionOperationsRefuse(t *testing.T) {
	t.Parallel()
	w := newSecured(t)
	a := w.client("screens", labA)
	id := w.mustSubscribe(a, subscription("Task", "http://127.0.0.1:1/", ""))
	for _, path := range []string{
		"/$status?nothing=1", "/$events?nothing=1", "/$events?eventsSinceNumber=x", "/$events?eventsUntilNumber=-1", "/$events?content=all",
	} {
		require.Equal(t, 400, w.get("/fhir/Subscription/"+id+path, a).StatusCode, path)
	}
	w.get("/fhir/Subscription/$status?nothing=1", a).refused(t, 400, outcome.CodeNotSupported)
	for _, path := range []string{"/fhir/Subscription/nobody/$status", "/fhir/Subscription/nobody/$events"} {
		w.get(path, a).refused(t, 404, outcome.CodeNotFound)
	}
	for name, body := range map[string]string{
		"unknown parameter": subscription("Task?nothing=1", "http://127.0.0.1:1/", ""),
		"no endpoint":       subscription("Task", "https://elsewhere.example/", ""),
	} {
		answer := w.send(http.MethodPost, "/fhir/Subscription", body, fhirJSON, a)
		answer.refused(t, 422, outcome.CodeBusinessRule)
		sound(t, answer.text)
		require.Contains(t, answer.text, "Subscription.", name)
	}
	w.send(http.MethodDelete, "/fhir/Subscription/"+id, "", a).refused(t, 405, outcome.CodeNotSupported)
}

// For whoever is not its owner a Subscription is not there, in every way that there is to
// ask; for a client of all units too, since its headers may be secrets.
func TestAnothersSubscriptionIsNotThere(t *testing.T) {
	t.Parallel()
	w := newSecured(t)
	owner := w.client("screens", labA)
	id := w.mustSubscribe(owner, subscription("Task", "http://127.0.0.1:1/", `,"header":["Authorization: Bearer `+canary+`"]`))
	version := strings.Replace(w.get("/fhir/Subscription/"+id, owner).text, "work list", "mine", 1)
	for name, header := range map[string]string{
		"same units": w.client("other", labA), "all units": w.as(smarttest.Claims{"client_id": "other"}),
		"its name as a unit": w.client("other", "urn:fhirsvc:client|screens"),
	} {
		for _, path := range []string{"", "/_history", "/_history/1", "/$status", "/$events"} {
			w.get("/fhir/Subscription/"+id+path, header).refused(t, 404, outcome.CodeNotFound)
		}
		w.send(http.MethodPut, "/fhir/Subscription/"+id, version, fhirJSON, header).refused(t, 404, outcome.CodeNotFound)
		w.send(http.MethodPatch, "/fhir/Subscription/"+id, `[{"op":"replace","path":"/status","value":"off"}]`, "Content-Type: application/json-patch+json", header).
			refused(t, 404, outcome.CodeNotFound)
		for _, path := range []string{
			"/fhir/Subscription", "/fhir/Subscription/_history", "/fhir/Subscription?_id=" + id, "/fhir/Subscription?url=http://127.0.0.1:1/", "/fhir/Subscription?_revinclude=Provenance:target",
			"/fhir/Provenance?_include=Provenance:target:Subscription", "/fhir/Subscription/$status",
		} {
			a := w.get(path, header)
			require.Equal(t, 200, a.StatusCode, path)
			require.NotContains(t, a.text, canary, "%s %s", name, path)
			require.NotContains(t, a.text, `"resourceType":"Subscription"`, "%s %s", name, path)
		}
	}
	require.Contains(t, w.get("/fhir/Subscription", owner).text, canary, "its owner sees what it has sent")
	for _, r := range w.trail() {
		require.NotContains(t, string(r.Body), "urn:fhirsvc:client", "an owner is no place")
	}
}

// Who wants to be told of Tasks may read and search Tasks (the guide's page on safety and
// security: the filters are taken into account when a Subscription is authorised).
func TestSubscribingNeedsTheScopesOfWhatItIsAbout(t *testing.T) {
	t.Parallel()
	w := newSecured(t)
	body := subscription("Task?status=ready", "http://127.0.0.1:1/", "")
	with := func(scope string) answer {
		return w.send(http.MethodPost, "/fhir/Subscription", body, fhirJSON, w.as(smarttest.Claims{"scope": scope}))
	}
	for _, scope := range []string{"system/Subscription.c", "system/Subscription.cruds system/Task.r", "system/Subscription.c system/CarePlan.rs", "system/Task.rs"} {
		a := with(scope)
		a.refused(t, 403, outcome.CodeForbidden)
		require.Contains(t, a.Header.Get("WWW-Authenticate"), "insufficient_scope")
	}
	require.Equal(t, 201, with("system/Subscription.c system/Task.rs").StatusCode)
	batch := w.send(http.MethodPost, "/fhir", bundleOf("batch", entryOf("POST", "Subscription", body)), w.as(smarttest.Claims{"scope": "system/Subscription.c"}))
	require.Equal(t, "403 Forbidden", batch.doc.Get("entry").At(0).Get("response").Str("status"))
}
