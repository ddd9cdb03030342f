package main

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/sandbox/bedside"
)

// endpoint is where a Subscription tells. While it is away it answers 503.
type endpoint struct {
	*httptest.Server
	away atomic.Bool
	mu   sync.Mutex
	got  []notification
}

// notification is the part of a notification that a reader acts on.
type notification struct {
	Entry []struct {
		Resource struct {
			Parameter []struct {
				Name, ValueCode string
				Part            []struct {
					Name, ValueString string
					ValueReference    struct{ Reference string }
				}
			}
		}
	}
}

func newEndpoint(w *ward) *endpoint {
	e := &endpoint{}
	e.Server = httptest.NewServer(http.HandlerFunc(func(answer http.ResponseWriter, r *http.Request) {
		var n notification
		if err := json.NewDecoder(r.Body).Decode(&n); err != nil || e.away.Load() {
			answer.WriteHeader(http.StatusServiceUnavailable)
			return
		}
		e.mu.Lock()
		defer e.mu.Unlock()
		e.got = append(e.got, n)
	}))
	w.Cleanup(e.Close)
	return e
}

// told gives the numbers of the events that were taken, and what they are about, in order.
func (e *endpoint) told() (numbers, about []string) {
	e.mu.Lock()
	defer e.mu.Unlock()
	for _, n := range e.got {
		for _, p := range n.Entry[0].Resource.Parameter {
			if p.Name != "notification-event" {
				continue
			}
			for _, part := range p.Part {
				switch part.Name {
				case "event-number":
					numbers = append(numbers, part.ValueString)
				case "focus":
					about = append(about, part.ValueReference.Reference)
				}
			}
		}
	}
	return numbers, about
}

// subscribe asks to be told of findings, and gives the Subscription's address.
func (w *ward) subscribe(e *endpoint) string {
	w.Helper()
	a := w.ask(http.MethodPost, "/fhir/Subscription", `{"resourceType":"Subscription","status":"requested","reason":"A complaint",
		"criteria":"https://fhirsvc.example/fhir/SubscriptionTopic/finding-changed",
		"channel":{"type":"rest-hook","endpoint":"`+e.URL+`/hook","payload":"application/fhir+json"}}`)
	require.Equal(w, http.StatusCreated, a.Status, string(a.Body))
	var s struct{ ID string }
	require.NoError(w, json.Unmarshal(a.Body, &s))
	return "/fhir/Subscription/" + s.ID
}

// becomes waits until a Subscription has a status.
func (w *ward) becomes(subscription, status string) {
	w.Helper()
	require.Eventually(w, func() bool {
		return strings.Contains(string(w.ask(http.MethodGet, subscription, "").Body), `"status":"`+status+`"`)
	}, eventually, tick, "%s: %s", status, w.ask(http.MethodGet, subscription, "").Body)
}

// An endpoint that is away gets all when it is back, each event once and in order, and can ask for
// them again; another one does not wait for it. One that does not shake hands is told to be
// wrong, and is not requested for ever.
func toldSurely(w *ward) {
	good, bad, never := newEndpoint(w), newEndpoint(w), newEndpoint(w)
	never.away.Store(true)
	ok, late := w.subscribe(good), w.subscribe(bad)
	w.becomes(ok, "active")
	w.becomes(late, "active")
	w.becomes(w.subscribe(never), "error")

	bad.away.Store(true)
	const n = 12
	var made []string
	w.atOnce(n, func(int) (bedside.Answer, error) {
		return w.client.Create(w.Context(), "Observation", []byte(w.look("2025-03-04T09:59:00Z")))
	})
	want := make([]string, n)
	for i := range want {
		want[i] = fmt.Sprint(i + 1)
	}
	begun := time.Now()
	require.Eventually(w, func() bool { _, made = good.told(); return len(made) == n }, eventually, tick)
	require.Less(w, time.Since(begun), 20*time.Second, "another's endpoint holds up none")
	numbers, _ := bad.told()
	require.Empty(w, numbers)
	bad.away.Store(false)
	require.Eventually(w, func() bool { numbers, _ = bad.told(); return len(numbers) >= n }, eventually, tick, "nothing is lost")
	for _, e := range []*endpoint{good, bad} {
		numbers, about := e.told()
		require.Equal(w, want, numbers, "each once, in order")
		require.ElementsMatch(w, made, about)
	}
	for number := range want {
		again := w.ask(http.MethodGet, fmt.Sprintf("%s/$events?eventsSinceNumber=%d&eventsUntilNumber=%d", late, number+1, number+1), "")
		require.Equal(w, http.StatusOK, again.Status, string(again.Body))
	}
}
