package delivery

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"fhirsvc/internal/delivery/hook"
	"fhirsvc/internal/episode"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
	"fhirsvc/internal/store/storetest"
)

// ward is a store with Subscriptions that are told of everything, endpoints that fail as
// they are told to, and a clock that is turned.
type ward struct {
	store.Store
	mu     sync.Mutex
	now    time.Time
	got    map[string][]string // by Subscription: ids in the order in which they were taken
	calls  map[string]int
	given  map[string]string // why a Subscription was given up
	answer func(id string, try int) hook.Result
	crash  func() bool // between being taken and being settled
	rows   int
}

func newWard(st store.Store) *ward {
	return &ward{
		Store: st, now: time.Now().Add(time.Minute), got: map[string][]string{}, calls: map[string]int{}, given: map[string]string{},
		answer: func(string, int) hook.Result { return hook.Result{Taken: true} }, crash: func() bool { return false },
	}
}

func (w *ward) clock() time.Time {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.now
}

func (w *ward) turn(d time.Duration) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.now = w.now.Add(d)
}

func (w *ward) subscribe(t require.TestingT, version int64, q store.Subscription) {
	q.Version, q.Lease, q.All = version, 15*time.Second, true
	w.commit(t, store.Changeset{
		Resources:     []store.Resource{{Type: "Subscription", ID: q.ID, Version: version, Body: []byte("{}")}},
		Subscriptions: []store.Subscription{q},
	})
}

func (w *ward) change(t require.TestingT, episode string, partition int) {
	w.rows++
	w.commit(t, store.Changeset{Outbox: []store.Outbox{{
		Episode: episode, Partition: partition, MessageID: fmt.Sprintf("%s-%04d", episode, w.rows), Body: []byte("{}"),
	}}})
}

func (w *ward) commit(t require.TestingT, c store.Changeset) {
	results, err := w.Commit(context.Background(), []store.Changeset{c})
	require.NoError(t, err)
	require.Equal(t, store.Committed, results[0].Status)
}

// everyone is told of everything.
func everyone(_ context.Context, changes []store.OutboxRow, live []store.Subscription) (store.Matched, error) {
	var events []store.SubscriptionEvent
	for _, c := range changes {
		for _, q := range live {
			events = append(events, store.SubscriptionEvent{Subscription: q.ID, Type: "Task", ID: c.MessageID, Version: 1, At: time.UnixMicro(1)})
		}
	}
	return store.Matched{Events: events}, nil
}

// NextCall tells of one event at a time.
func (w *ward) NextCall(ctx context.Context, c store.SubscriptionClaim) (*episode.Call, int64, error) {
	if c.Status == "requested" {
		return &episode.Call{URL: c.ID, Once: true}, 0, nil
	}
	events, err := w.SubscriptionEvents(ctx, c.ID, c.Sent+1, c.Events, 1)
	if err != nil || len(events) == 0 {
		return nil, c.Events, err
	}
	return &episode.Call{URL: c.ID, Body: []byte(events[0].ID), Upto: events[0].Number}, 0, nil
}

func (w *ward) Send(_ context.Context, c *episode.Call) hook.Result {
	w.mu.Lock()
	w.calls[c.URL]++
	try := w.calls[c.URL]
	w.mu.Unlock()
	r := w.answer(c.URL, try)
	if r.Taken && len(c.Body) > 0 {
		w.mu.Lock()
		w.got[c.URL] = append(w.got[c.URL], string(c.Body))
		w.mu.Unlock()
	}
	return r
}

func (w *ward) CallTaken(ctx context.Context, c *episode.Call) error {
	if w.crash() {
		return outcome.Fail(outcome.CodeNoStore, "test", "power cut")
	}
	return w.move(ctx, c, "active")
}

func (w *ward) CallFailed(ctx context.Context, c *episode.Call, why string) error {
	w.mu.Lock()
	w.given[c.URL] = why
	w.mu.Unlock()
	return w.move(ctx, c, "error")
}

func (w *ward) move(ctx context.Context, c *episode.Call, to string) error {
	q, err := w.Subscription(ctx, c.URL)
	if err != nil || q.Status == to {
		return err
	}
	q.Version, q.Status = q.Version+1, to
	_, err = w.Commit(ctx, []store.Changeset{{
		Resources:     []store.Resource{{Type: "Subscription", ID: q.ID, Version: q.Version, Body: []byte("{}")}},
		Subscriptions: []store.Subscription{q},
	}})
	return err
}

func (w *ward) notifier(log *slog.Logger) *Notifier {
	return NewNotifier(NotifierOptions{Queues: w.Store, Telling: w, Sender: w, Log: log, Now: w.clock})
}

// pass matches what there is and makes each call that is due once.
func (w *ward) pass(t require.TestingT, n *Notifier) int {
	quiet := slog.New(slog.DiscardHandler)
	require.NoError(t, NewMatcher(w.Store, everyone, func() {}, quiet).Drain(context.Background()))
	claimed, err := n.round(context.Background())
	require.NoError(t, err)
	n.running.Wait()
	return claimed
}

// Whatever fails and whenever a process dies, every Subscription gets every event at least
// once, and those of an episode in their order; the last event that it knows is the last
// that was taken.
func TestEveryEventReachesEverySubscriber(t *testing.T) {
	t.Parallel()
	quiet := slog.New(slog.DiscardHandler)
	rapid.Check(t, func(rt *rapid.T) {
		w := newWard(storetest.NewMemory()) // which is held to the contract, like the real ones
		random := rand.New(rand.NewPCG(rapid.Uint64().Draw(rt, "seed"), 1))
		var chance sync.Mutex
		draw := func(n int) int {
			chance.Lock()
			defer chance.Unlock()
			return random.IntN(n)
		}
		oneIn := func(n int) bool { return draw(n) == 0 }
		failing := rapid.IntRange(2, 10).Draw(rt, "failing")
		w.answer = func(string, int) hook.Result {
			switch {
			case oneIn(failing):
				return hook.Result{Why: "the endpoint answered 503", After: time.Duration(draw(3)) * time.Minute}
			case oneIn(20):
				return hook.Result{Taken: true, Took: 3 * time.Second}
			}
			return hook.Result{Taken: true}
		}
		w.crash = func() bool { return oneIn(8) }
		queues := rapid.IntRange(1, 4).Draw(rt, "subscriptions")
		for i := range queues {
			w.subscribe(rt, 1, store.Subscription{ID: fmt.Sprintf("s%d", i), Status: "active"})
		}
		n := w.notifier(quiet)
		for range rapid.IntRange(1, 80).Draw(rt, "steps") {
			for range draw(4) {
				e := draw(3)
				w.change(rt, fmt.Sprintf("e%d", e), e)
			}
			switch rapid.IntRange(0, 3).Draw(rt, "step") {
			case 0, 1:
				w.pass(rt, n)
			case 2:
				w.turn(time.Duration(draw(600)) * time.Second)
			case 3: // the process dies, with what it has claimed, and another takes over
				_, err := w.ClaimSubscriptions(context.Background(), w.clock(), draw(3), draw(3))
				require.NoError(rt, err)
				n = w.notifier(quiet)
			}
		}
		for range 5000 { // the endpoints mend, with the next tries
			if w.pass(rt, n) == 0 {
				w.turn(20 * time.Second)
			}
			if w.settled(rt, queues) {
				break
			}
		}
		for i := range queues {
			w.inOrder(rt, fmt.Sprintf("s%d", i))
		}
	})
}

// settled reports whether everything was taken.
func (w *ward) settled(t require.TestingT, queues int) bool {
	for i := range queues {
		q, err := w.Subscription(context.Background(), fmt.Sprintf("s%d", i))
		require.NoError(t, err)
		if q.Sent < int64(w.rows) {
			return false
		}
	}
	return true
}

// inOrder holds what was taken against what was changed: each event, and for the first
// times that it came those of each episode in order; a repeat directly follows its first.
func (w *ward) inOrder(t require.TestingT, id string) {
	got := slices.Compact(slices.Clone(w.got[id]))
	require.Len(t, got, w.rows, id)
	for _, e := range []string{"e0", "e1", "e2"} {
		of := slices.DeleteFunc(slices.Clone(got), func(m string) bool { return !strings.HasPrefix(m, e) })
		require.True(t, slices.IsSorted(of), "%s: %v", id, of)
	}
}

// Back-off doubles from a second to a quarter of an hour, with jitter; after three days
// the Subscription is given up, and its events are counted on.
func TestBackOffForDays(t *testing.T) {
	t.Parallel()
	w := newWard(storetest.Open(t))
	down := true
	w.answer = func(string, int) hook.Result { return hook.Result{Taken: !down, Why: "the endpoint answered 500"} }
	log := &strings.Builder{}
	n := w.notifier(slog.New(slog.NewJSONHandler(log, nil)))
	w.subscribe(t, 1, store.Subscription{ID: "s", Status: "active"})
	w.change(t, "e", 0)
	var waits []time.Duration
	began, last := w.clock(), w.clock()
	for w.given["s"] == "" {
		if w.pass(t, n) == 1 {
			waits = append(waits, w.clock().Sub(last))
			last = w.clock()
		}
		step := 100 * time.Millisecond
		if len(waits) > 5 {
			step = time.Minute
		}
		w.turn(step)
		require.Less(t, w.clock().Sub(began), 80*time.Hour)
	}
	for i, want := range []time.Duration{time.Second, 2 * time.Second, 4 * time.Second, 8 * time.Second} {
		require.InDelta(t, want.Seconds()*7/8, waits[i+1].Seconds(), want.Seconds()/8+0.2, "wait %d", i)
	}
	for _, d := range waits[14:] {
		require.GreaterOrEqual(t, d, 15*time.Minute*3/4)
		require.LessOrEqual(t, d, 17*time.Minute)
	}
	require.GreaterOrEqual(t, w.clock().Sub(began), 72*time.Hour)
	require.Equal(t, "the endpoint answered 500", w.given["s"])
	require.Equal(t, 1, strings.Count(log.String(), "given up"))
	tries := w.calls["s"]
	w.change(t, "e", 0)
	w.turn(100 * time.Hour)
	require.Zero(t, w.pass(t, n), "it is left alone")
	require.Equal(t, tries, w.calls["s"])
	q, err := w.Subscription(t.Context(), "s")
	require.NoError(t, err)
	require.Equal(t, int64(2), q.Events)

	down = false
	q.Status = "requested" // its owner asks for it again
	w.subscribe(t, q.Version+1, q)
	for range 4 {
		w.pass(t, n)
	}
	require.Equal(t, []string{"e-0001", "e-0002"}, w.got["s"], "it goes on where it stopped")
}

// Answers decide: what is for ever is given up at once, a handshake is made once, and who
// asks to be left alone is.
func TestWhatAnAnswerDoes(t *testing.T) {
	t.Parallel()
	for name, test := range map[string]struct {
		status   string
		result   hook.Result
		given    string
		waits    time.Duration // the least time before the next call; 0: there is none
		accepted bool
	}{
		"gone":               {"active", hook.Result{Final: true, Why: "the endpoint answered 410"}, "the endpoint answered 410", 0, false},
		"refused handshake":  {"requested", hook.Result{Why: "the endpoint answered 401"}, "the endpoint answered 401", 0, false},
		"accepted handshake": {"requested", hook.Result{Taken: true}, "", 0, true},
		"refused once":       {"active", hook.Result{Why: "the endpoint answered 401"}, "", 750 * time.Millisecond, false},
		"too many requests":  {"active", hook.Result{Why: "the endpoint answered 429", After: 40 * time.Minute}, "", 40 * time.Minute, false},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := newWard(storetest.Open(t))
			n := w.notifier(slog.New(slog.DiscardHandler))
			w.answer = func(string, int) hook.Result { return test.result }
			w.subscribe(t, 1, store.Subscription{ID: "s", Status: test.status})
			w.change(t, "e", 0)
			require.Equal(t, 1, w.pass(t, n))
			require.Equal(t, test.given, w.given["s"])
			q, err := w.Subscription(t.Context(), "s")
			require.NoError(t, err)
			if test.given != "" {
				require.Equal(t, "error", q.Status)
				w.turn(time.Hour * 24 * 365)
				require.Zero(t, w.pass(t, n))
				return
			}
			require.Equal(t, "active", q.Status)
			if test.accepted {
				require.Equal(t, 1, w.pass(t, n), "the event follows at once")
				require.Equal(t, []string{"e-0001"}, w.got["s"])
				return
			}
			w.turn(test.waits - time.Millisecond)
			require.Zero(t, w.pass(t, n))
			w.turn(max(test.waits, time.Second))
			require.Equal(t, 1, w.pass(t, n))
		})
	}
}

// Forty endpoints that hang, each for as long as it may, hold up none that answers.
func TestSlowEndpointsHoldUpNoOther(t *testing.T) {
	t.Parallel()
	w := newWard(storetest.Open(t))
	const hanging, events = 40, 30
	hang := make(chan struct{})
	defer close(hang)
	w.answer = func(id string, _ int) hook.Result {
		if strings.HasPrefix(id, "hangs") {
			select {
			case <-hang:
			case <-time.After(2 * time.Second):
			}
			return hook.Result{Taken: true, Took: 2 * time.Second} // slow, and never refused: no back-off
		}
		return hook.Result{Taken: true}
	}
	for i := range hanging {
		w.subscribe(t, 1, store.Subscription{ID: fmt.Sprintf("hangs%02d", i), Status: "active"})
	}
	w.subscribe(t, 1, store.Subscription{ID: "fast", Status: "active"})
	quiet := slog.New(slog.DiscardHandler)
	n := NewNotifier(NotifierOptions{Queues: w.Store, Telling: w, Sender: w, Log: quiet})
	m := NewMatcher(w.Store, everyone, n.Wake, quiet)
	w.change(t, "e", 0) // all are found to be slow
	ctx, cancel := context.WithCancel(t.Context())
	var loops sync.WaitGroup
	loops.Go(func() { m.Run(ctx) })
	loops.Go(func() { n.Run(ctx) })
	taken := func() int {
		w.mu.Lock()
		defer w.mu.Unlock()
		return len(w.got["fast"])
	}
	require.Eventually(t, func() bool { return taken() == 1 && w.slow(t) == hanging }, 30*time.Second, 10*time.Millisecond)
	began := time.Now()
	for range events {
		w.change(t, "e", 0)
		m.Wake()
	}
	require.Eventually(t, func() bool { return taken() == events+1 }, 40*time.Second, 5*time.Millisecond)
	t.Logf("%d events took %s beside %d endpoints that hang", events, time.Since(began), hanging)
	require.Less(t, time.Since(began), 30*time.Second, "held up by one of the others each time they would take a minute")
	cancel()
	stopped := time.Now()
	loops.Wait()
	require.Less(t, time.Since(stopped), 20*time.Second, "what is under way ends, and nothing else begins")
}

// slow counts the Subscriptions that are known to be slow.
func (w *ward) slow(t *testing.T) int {
	t.Helper()
	w.mu.Lock()
	defer w.mu.Unlock()
	n := 0
	for id := range w.got {
		if strings.HasPrefix(id, "hangs") {
			n++
		}
	}
	return n
}

// away is a store that can't be reached.
type away struct{ store.Store }

func (away) MatchOutbox(context.Context, int, store.Matcher) (int, error) {
	return 0, outcome.Fail(outcome.CodeNoStore, "match", "away")
}

func (away) ClaimSubscriptions(context.Context, time.Time, int, int) ([]store.SubscriptionClaim, error) {
	return nil, outcome.Fail(outcome.CodeNoStore, "claim", "away")
}

func (away) ForgetEvents(context.Context, time.Time) (int, error) { return 0, errors.New("away") }

func TestAStoreThatIsAwayEndsNoLoop(t *testing.T) {
	t.Parallel()
	ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
	defer cancel()
	log := slog.New(slog.DiscardHandler)
	NewMatcher(away{}, everyone, func() {}, log).Run(ctx)
	NewNotifier(NotifierOptions{Queues: away{}, Log: log}).Run(ctx)
	require.Error(t, ctx.Err())
	require.Error(t, NewMatcher(away{}, everyone, func() {}, log).Drain(t.Context()))
}
