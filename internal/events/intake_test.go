package events_test

import (
	"context"
	"fmt"
	"log/slog"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/stretchr/testify/require"

	"fhirsvc/internal/episode"
	"fhirsvc/internal/events"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/sandbox"
)

// fakeHandler answers as it is told and counts what reaches it.
type fakeHandler struct {
	mu       sync.Mutex
	answer   func(m episode.Message, nth int) error // nth time of this body, from 1
	seen     map[string]int
	rejected map[string]outcome.Code
	rejects  func(nth int) error
	running  int
	most     int
	sameBody bool // two of one content were handled at once
	inHand   map[string]bool
}

func newFakeHandler(answer func(episode.Message, int) error) *fakeHandler {
	return &fakeHandler{answer: answer, seen: map[string]int{}, rejected: map[string]outcome.Code{}, inHand: map[string]bool{}}
}

func (h *fakeHandler) Message(_ context.Context, m episode.Message) (episode.MessageAnswer, error) {
	body := string(m.Body)
	h.mu.Lock()
	h.seen[body]++
	nth := h.seen[body]
	h.running++
	h.most = max(h.most, h.running)
	h.sameBody = h.sameBody || h.inHand[body]
	h.inHand[body] = true
	h.mu.Unlock()
	defer func() {
		h.mu.Lock()
		defer h.mu.Unlock()
		h.running--
		delete(h.inHand, body)
	}()
	return episode.MessageAnswer{}, h.answer(m, nth)
}

func (h *fakeHandler) Reject(_ context.Context, m episode.Message, reason error) error {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.rejects != nil {
		if err := h.rejects(h.seen[string(m.Body)]); err != nil {
			return err
		}
	}
	h.rejected[string(m.Body)] = outcome.KindOf(reason)
	return nil
}

func (h *fakeHandler) times(body string) int {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.seen[body]
}

func broker(t *testing.T) (*nats.Conn, jetstream.JetStream) {
	t.Helper()
	b, err := sandbox.StartBroker("127.0.0.1:0", t.TempDir())
	require.NoError(t, err)
	t.Cleanup(b.Close)
	nc, err := nats.Connect(b.URL())
	require.NoError(t, err)
	t.Cleanup(nc.Close)
	js, err := jetstream.New(nc)
	require.NoError(t, err)
	require.NoError(t, events.Prepare(t.Context(), js))
	return nc, js
}

// run starts an intake and returns it with the call that stops it and waits.
func run(t *testing.T, js jetstream.JetStream, o events.IntakeOptions) (*events.Intake, func()) {
	t.Helper()
	o.Log = slog.New(slog.DiscardHandler)
	o.Delay, o.MaxDelay = 20*time.Millisecond, 100*time.Millisecond
	if o.Ping == nil {
		o.Ping = func(context.Context) error { return nil }
	}
	in, err := events.NewIntake(t.Context(), js, o)
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { defer close(done); in.Run(ctx) }()
	stop := sync.OnceFunc(func() { cancel(); <-done })
	t.Cleanup(stop)
	return in, stop
}

func send(t *testing.T, js jetstream.JetStream, bodies ...string) {
	t.Helper()
	for _, b := range bodies {
		_, err := js.Publish(t.Context(), events.SubjectProcedure, []byte(b))
		require.NoError(t, err)
	}
}

func caughtUp(t *testing.T, in *events.Intake) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	require.NoError(t, in.CaughtUp(ctx))
}

func TestIntakeSettlesByTheTable(t *testing.T) {
	tests := []struct {
		name     string
		answer   func(m episode.Message, nth int) error
		times    int // the message was handled
		rejected outcome.Code
	}{
		{name: "accepted", answer: func(episode.Message, int) error { return nil }, times: 1},
		{name: "refused", answer: func(episode.Message, int) error {
			return outcome.Reject("decode", []outcome.Issue{outcome.Errorf(outcome.CodeStructure, "", "not JSON")})
		}, times: 1, rejected: outcome.CodeStructure},
		{name: "passes", answer: func(_ episode.Message, nth int) error {
			if nth < 8 { // more often than an exception may
				return outcome.Fail(outcome.CodeConflict, "commit", "somebody was faster")
			}
			return nil
		}, times: 8},
		{name: "exception that passes", answer: func(_ episode.Message, nth int) error {
			if nth < 5 {
				return outcome.Fail(outcome.CodeException, "render", "our fault")
			}
			return nil
		}, times: 5},
		{name: "exception that stays", answer: func(episode.Message, int) error {
			return outcome.Fail(outcome.CodeException, "render", "our fault")
		}, times: 5, rejected: outcome.CodeException},
		{name: "panic", answer: func(episode.Message, int) error { panic("impossible") }, times: 5, rejected: outcome.CodeException},
		{name: "plain error", answer: func(episode.Message, int) error { return fmt.Errorf("lost") }, times: 5, rejected: outcome.CodeException},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, js := broker(t)
			h := newFakeHandler(tt.answer)
			in, stop := run(t, js, events.IntakeOptions{Handler: h})
			send(t, js, "event")
			caughtUp(t, in)
			stop()
			require.Equal(t, tt.times, h.seen["event"])
			require.Equal(t, tt.rejected, h.rejected["event"])
		})
	}
}

func TestIntakeEndsDeliveryOnlyAfterTheRefusalIsStored(t *testing.T) {
	_, js := broker(t)
	h := newFakeHandler(func(episode.Message, int) error {
		return outcome.Fail(outcome.CodeValue, "decode", "unreadable")
	})
	h.rejects = func(nth int) error {
		if nth < 4 {
			return outcome.Fail(outcome.CodeNoStore, "reject", "store away")
		}
		return nil
	}
	in, _ := run(t, js, events.IntakeOptions{Handler: h})
	send(t, js, "event")
	caughtUp(t, in)
	require.Equal(t, 4, h.times("event"))
	require.Equal(t, outcome.CodeValue, h.rejected["event"])
}

func TestIntakeSideBySideButOneContentAtATime(t *testing.T) {
	_, js := broker(t)
	var gate sync.WaitGroup
	gate.Add(4) // nobody goes on before four different messages are in hand
	h := newFakeHandler(func(m episode.Message, nth int) error {
		if nth == 1 && string(m.Body) != "later" {
			gate.Done()
			gate.Wait()
		}
		return nil
	})
	send(t, js, "a", "a", "a", "b", "b", "c", "d", "later")
	in, stop := run(t, js, events.IntakeOptions{Handler: h, Parallel: 8})
	caughtUp(t, in)
	stop()
	require.False(t, h.sameBody)
	require.Equal(t, map[string]int{"a": 3, "b": 2, "c": 1, "d": 1, "later": 1}, h.seen)
	require.GreaterOrEqual(t, h.most, 4)
}

// A message that is put off rests, longer each time: given back without a delay it would come
// again at once, and again.
func TestWhatIsPutOffRests(t *testing.T) {
	_, js := broker(t)
	var began time.Time
	var rested time.Duration
	h := newFakeHandler(func(_ episode.Message, nth int) error {
		if nth == 1 {
			began = time.Now()
		}
		if nth <= 5 {
			return outcome.Fail(outcome.CodeTransient, "commit", "a fault that passes")
		}
		rested = time.Since(began)
		return nil
	})
	in, stop := run(t, js, events.IntakeOptions{Handler: h})
	send(t, js, "event")
	caughtUp(t, in)
	stop()
	require.GreaterOrEqual(t, rested, (10+20+40+50+50)*time.Millisecond, "half of each delay at least")
}

// What the intake asks of its consumer: nothing counts as taken that nobody has acknowledged,
// nothing is given up, and what all replicas have in hand together is bounded.
func TestIntakeMakesItsConsumer(t *testing.T) {
	_, js := broker(t)
	_, err := events.NewIntake(t.Context(), js, events.IntakeOptions{})
	require.NoError(t, err)
	c, err := js.Consumer(t.Context(), events.StreamProcedure, events.ConsumerProcedure)
	require.NoError(t, err)
	got := c.CachedInfo().Config
	require.Equal(t, jetstream.AckExplicitPolicy, got.AckPolicy)
	require.Equal(t, jetstream.DeliverAllPolicy, got.DeliverPolicy)
	require.Equal(t, -1, got.MaxDeliver)
	require.Equal(t, 256, got.MaxAckPending)
	require.Equal(t, 30*time.Second, got.AckWait)
	require.Equal(t, events.SubjectProcedure, got.FilterSubject)
}

func TestIntakeIsBounded(t *testing.T) {
	_, js := broker(t)
	h := newFakeHandler(func(episode.Message, int) error { time.Sleep(time.Millisecond); return nil })
	for i := range 200 {
		send(t, js, fmt.Sprint(i))
	}
	in, stop := run(t, js, events.IntakeOptions{Handler: h, Parallel: 3})
	caughtUp(t, in)
	stop()
	require.Len(t, h.seen, 200)
	require.LessOrEqual(t, h.most, 3)
}

func TestIntakePausesWhileTheStoreIsAway(t *testing.T) {
	_, js := broker(t)
	var mu sync.Mutex
	away := true
	h := newFakeHandler(func(episode.Message, int) error {
		mu.Lock()
		defer mu.Unlock()
		if away {
			return outcome.Fail(outcome.CodeNoStore, "commit", "store away")
		}
		return nil
	})
	pings := make(chan struct{}, 1000)
	in, _ := run(t, js, events.IntakeOptions{Handler: h, Parallel: 1, Ping: func(context.Context) error {
		mu.Lock()
		defer mu.Unlock()
		pings <- struct{}{}
		if away {
			return outcome.Fail(outcome.CodeNoStore, "ping", "store away")
		}
		return nil
	}})
	send(t, js, "first")
	for range 5 {
		<-pings
	}
	require.Equal(t, 1, h.times("first"), "the store is asked, the message rests")
	send(t, js, "second")
	mu.Lock()
	away = false
	mu.Unlock()
	caughtUp(t, in)
	require.Equal(t, 2, h.times("first"))
	require.Equal(t, 1, h.times("second"))
}

// A store that is slow holds the intake up, and the intake the broker: what is not in hand stays
// in the stream, and nothing is acknowledged before it is committed.
func TestSlowStoreLeavesEventsAtTheBroker(t *testing.T) {
	const sent, inHand = 50, 4
	_, js := broker(t)
	commits := make(chan struct{})
	h := newFakeHandler(func(episode.Message, int) error { <-commits; return nil })
	in, _ := run(t, js, events.IntakeOptions{Handler: h, Parallel: inHand})
	letAll := sync.OnceFunc(func() { close(commits) })
	t.Cleanup(letAll) // before the intake is waited for
	for i := range sent {
		send(t, js, fmt.Sprint(i))
	}
	consumer, err := js.Consumer(t.Context(), events.StreamProcedure, events.ConsumerProcedure)
	require.NoError(t, err)
	figures := func() [3]uint64 {
		info, err := consumer.Info(t.Context())
		require.NoError(t, err)
		return [3]uint64{info.AckFloor.Stream, uint64(info.NumAckPending), info.NumPending}
	}
	require.Eventually(t, func() bool { return figures() == [3]uint64{0, inHand, sent - inHand} }, 20*time.Second, time.Millisecond)
	commits <- struct{}{}
	require.Eventually(t, func() bool { return figures()[2] == sent-inHand-1 }, 20*time.Second, time.Millisecond, "one done, one more asked for")
	require.EqualValues(t, inHand, figures()[1])
	letAll()
	caughtUp(t, in)
	require.Len(t, h.seen, sent)
	for body, times := range h.seen {
		require.Equal(t, 1, times, body)
	}
}

// A message that takes longer than the consumer waits is not handed out a second time.
func TestIntakeAnnouncesLongWork(t *testing.T) {
	_, js := broker(t)
	_, err := js.CreateOrUpdateConsumer(t.Context(), events.StreamProcedure, jetstream.ConsumerConfig{
		Durable: events.ConsumerProcedure, AckPolicy: jetstream.AckExplicitPolicy, MaxDeliver: -1, AckWait: 600 * time.Millisecond,
	})
	require.NoError(t, err)
	h := newFakeHandler(func(episode.Message, int) error { time.Sleep(2 * time.Second); return nil })
	in, _ := run(t, js, events.IntakeOptions{Handler: h})
	send(t, js, "slow")
	caughtUp(t, in)
	require.Equal(t, 1, h.times("slow"))
}

func TestIntakeFinishesWhatItBegan(t *testing.T) {
	_, js := broker(t)
	begun, release := make(chan struct{}), make(chan struct{})
	h := newFakeHandler(func(episode.Message, int) error { close(begun); <-release; return nil })
	in, stop := run(t, js, events.IntakeOptions{Handler: h})
	send(t, js, "event")
	<-begun
	stopped := make(chan struct{})
	go func() { defer close(stopped); stop() }()
	select {
	case <-stopped:
		t.Fatal("stopped with a message in hand")
	case <-time.After(50 * time.Millisecond):
	}
	close(release)
	<-stopped
	caughtUp(t, in)
	require.Equal(t, 1, h.times("event"))
}

// As soon as the broker has acknowledged a message to whomever, CaughtUp waits for it: the
// consumer's own figures lag behind.
func TestCaughtUpMissesNothing(t *testing.T) {
	nc, js := broker(t)
	h := newFakeHandler(func(episode.Message, int) error { return nil })
	in, _ := run(t, js, events.IntakeOptions{Handler: h})
	caughtUp(t, in) // with an empty stream
	other, err := nats.Connect(nc.ConnectedUrl())
	require.NoError(t, err)
	defer other.Close()
	sender, err := jetstream.New(other)
	require.NoError(t, err)
	for i := range 2000 {
		body := fmt.Sprint(i)
		send(t, sender, body)
		caughtUp(t, in)
		require.Equal(t, 1, h.times(body))
	}
}
