package main

import (
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// receiver is an endpoint that now and then takes nothing, and keeps what it took.
type receiver struct {
	*httptest.Server
	mu      sync.Mutex
	random  *rand.Rand
	refuses int // one in so many calls
	updates []string
	numbers []int64
	kinds   map[string]int
	called  int
}

func newReceiver(t testing.TB, seed uint64) *receiver {
	t.Helper()
	r := &receiver{random: rand.New(rand.NewPCG(seed, 0)), refuses: 6, kinds: map[string]int{}}
	r.Server = httptest.NewServer(r)
	t.Cleanup(r.Close)
	return r
}

func (r *receiver) ServeHTTP(w http.ResponseWriter, request *http.Request) {
	body, err := io.ReadAll(request.Body)
	r.mu.Lock()
	defer r.mu.Unlock()
	r.called++
	if err != nil || request.Header.Get("X-Ward") != "3" || r.called > 2 && r.refuses > 0 && r.random.IntN(r.refuses) == 0 {
		w.WriteHeader(http.StatusServiceUnavailable)
		return
	}
	if request.Method == http.MethodPut {
		var task struct{ Meta struct{ VersionID string } }
		if json.Unmarshal(body, &task) == nil {
			r.updates = append(r.updates, strings.TrimPrefix(request.URL.Path, "/plain/")+"/"+task.Meta.VersionID)
		}
		return
	}
	r.take(body)
}

// take keeps what a notification Bundle tells.
func (r *receiver) take(body []byte) {
	type parameter struct {
		Name, ValueCode, ValueString string
		Part                         []struct{ Name, ValueString string }
	}
	var bundle struct {
		Entry []struct {
			Resource struct{ Parameter []parameter }
		}
	}
	if json.Unmarshal(body, &bundle) != nil || len(bundle.Entry) == 0 {
		return
	}
	for _, p := range bundle.Entry[0].Resource.Parameter {
		if p.Name == "type" {
			r.kinds[p.ValueCode]++
		}
		for _, part := range p.Part {
			if n, err := strconv.ParseInt(part.ValueString, 10, 64); err == nil && part.Name == "event-number" {
				r.numbers = append(r.numbers, n)
			}
		}
	}
}

// has reports how many different updates and event numbers were taken, and the last number.
func (r *receiver) has() (updates map[string]bool, numbers map[int64]bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	updates, numbers = map[string]bool{}, map[int64]bool{}
	for _, u := range r.updates {
		updates[u] = true
	}
	for _, n := range r.numbers {
		numbers[n] = true
	}
	return updates, numbers
}

// asksToBeTold creates a Subscription and gives its id.
func (w *ward) asksToBeTold(criteria, endpoint, channel string) string {
	w.Helper()
	body := fmt.Sprintf(`{"resourceType":"Subscription","status":"requested","reason":"a test","criteria":%q,
"channel":{"type":"rest-hook","endpoint":%q,"header":["X-Ward: 3"],"payload":"application/fhir+json"%s}}`, criteria, endpoint, channel)
	a, err := w.client.Create(w.Context(), "Subscription", []byte(body))
	require.NoError(w, err)
	require.Equal(w, http.StatusCreated, a.Status, string(a.Body))
	var made struct{ ID string }
	require.NoError(w, json.Unmarshal(a.Body, &made))
	return made.ID
}

const shortTimeout = `,"extension":[{"url":"http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/backport-timeout","valueUnsignedInt":1}]`

// An endpoint that refuses now and then, and a service that is killed at any moment: every
// version of every Task reaches it, and every event number, each at least once and first in
// order.
func TestSubscriptionsSurvivePowerCuts(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	onEach(t, func(t *testing.T, w *ward) {
		random := rand.New(rand.NewPCG(seed, 1))
		r := newReceiver(t, seed)
		plain := w.asksToBeTold("Task", r.URL+"/plain", shortTimeout)
		topic := w.asksToBeTold("https://fhirsvc.example/fhir/SubscriptionTopic/task-changed", r.URL+"/topic", shortTimeout)
		require.Eventually(t, func() bool { return w.statusOf(plain) == "active" && w.statusOf(topic) == "active" }, 20*time.Second, 20*time.Millisecond)
		for i, s := range story() {
			s.do(w)
			if i%4 == 2 {
				time.Sleep(time.Duration(random.IntN(30)) * time.Millisecond) // somewhere among the calls that follow
				w.powerCut()
			}
			s.wantShown(t, w)
		}
		want := w.stored("Task")
		r.mu.Lock()
		r.refuses = 0
		r.mu.Unlock()
		require.Eventually(t, func() bool {
			updates, numbers := r.has()
			return len(updates) == len(want) && len(numbers) == len(want)
		}, 2*time.Minute, 50*time.Millisecond)
		updates, numbers := r.has()
		for version := range want {
			require.True(t, updates[version], version)
		}
		for n := range int64(len(want)) {
			require.True(t, numbers[n+1], "event %d", n+1)
		}
		require.GreaterOrEqual(t, r.kinds["handshake"], 1)
		inOrder(t, r)
		t.Logf("%d versions, %d updates and %d events taken in %d calls", len(want), len(r.updates), len(r.numbers), r.called)
		w.wantSound(1)
	})
}

// statusOf reads the status of a Subscription.
func (w *ward) statusOf(id string) string {
	w.Helper()
	a, err := w.client.Do(w.Context(), http.MethodGet, "/fhir/Subscription/"+id, nil, nil)
	require.NoError(w, err)
	var s struct{ Status string }
	require.NoError(w, json.Unmarshal(a.Body, &s))
	return s.Status
}

// inOrder holds that nothing new is taken before what comes ahead of it: event numbers,
// and the versions of each Task.
func inOrder(t *testing.T, r *receiver) {
	t.Helper()
	last := int64(0)
	for _, n := range r.numbers {
		require.LessOrEqual(t, n, last+1)
		last = max(last, n)
	}
	versions := map[string]int{}
	for _, u := range r.updates {
		i := strings.LastIndex(u, "/")
		n, err := strconv.Atoi(u[i+1:])
		require.NoError(t, err)
		require.LessOrEqual(t, n, versions[u[:i]]+1, u)
		versions[u[:i]] = max(versions[u[:i]], n)
	}
}

// A stop ends what is under way and nothing else; the next start goes on, without a repeat.
func TestAStopFinishesTheCallUnderWay(t *testing.T) {
	onEach(t, func(t *testing.T, w *ward) {
		r := newReceiver(t, 1)
		r.refuses = 0
		id := w.asksToBeTold("https://fhirsvc.example/fhir/SubscriptionTopic/task-changed", r.URL+"/topic", "")
		require.Eventually(t, func() bool { return w.statusOf(id) == "active" }, 20*time.Second, 20*time.Millisecond)
		storyToBleed()[0].do(w)
		w.process.stop(t)
		w.client.Close()
		w.start()
		want := len(w.stored("Task"))
		require.Eventually(t, func() bool { _, numbers := r.has(); return len(numbers) == want }, 30*time.Second, 20*time.Millisecond)
		require.Len(t, r.numbers, want, "each once")
	})
}
