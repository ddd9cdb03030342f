package delivery

import (
	"context"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
)

func newTestRelay(o *fakeOutbox, b *fakeBroker) *Relay {
	return NewRelay(Options{Outbox: o, Publisher: b, Log: slog.New(slog.DiscardHandler)})
}

// start runs the relay until the returned call, which waits for its end.
func start(t *testing.T, r *Relay) (stop func()) {
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { defer close(done); r.Run(ctx) }()
	return func() { cancel(); <-done }
}

// inOrder fails unless the broker has each of the outbox's rows once, each episode's in
// the order of the outbox.
func inOrder(t *testing.T, o *fakeOutbox, b *fakeBroker) {
	t.Helper()
	want := map[string][]string{}
	for _, r := range o.rows {
		want[r.Episode] = append(want[r.Episode], r.MessageID)
	}
	for episode, ids := range want {
		require.Equal(t, ids, b.of(episode))
	}
	require.Len(t, b.stored, len(o.rows))
	require.Zero(t, o.unsent())
}

func TestRelaySendsInOrder(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o, b := newFakeOutbox(), newFakeBroker()
		for i := range 40 {
			o.add(fmt.Sprintf("e%d", i%10), i%5, 30)
		}
		stop := start(t, newTestRelay(o, b))
		time.Sleep(time.Second)
		stop()
		inOrder(t, o, b)
		require.Zero(t, b.copies)
	})
}

func TestRelayWakesAtOnceAndLooksSeldomWhenIdle(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o, b := newFakeOutbox(), newFakeBroker()
		r := newTestRelay(o, b)
		stop := start(t, r)
		defer stop()
		time.Sleep(time.Minute)
		require.LessOrEqual(t, o.looked(), 81, "a look takes three quarters of a second or more")
		o.add("e", 0, 1)
		r.Wake()
		synctest.Wait() // no time passes
		require.Equal(t, []string{"e-1"}, b.of("e"))
	})
}

// Under load what is committed shortly after a round goes with the next: each look, mark and lease
// is a transaction. While more is there than a round takes, the next one follows at once.
func TestRelayLetsChangesGather(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o, b := newFakeOutbox(), newFakeBroker()
		r := newTestRelay(o, b)
		defer start(t, r)()
		time.Sleep(10 * time.Second)
		before := o.looked()
		for i := range 1000 {
			o.add("e", 1, 1)
			r.Wake()
			time.Sleep(time.Millisecond)
			require.Less(t, i-len(b.of("e")), 26, "none waits for longer than 25 ms")
		}
		time.Sleep(25 * time.Millisecond)
		inOrder(t, o, b)
		require.Less(t, o.looked()-before, 1000/18, "a look takes 19 ms or more")

		time.Sleep(10 * time.Second)
		for i := range 3 * roundPartitions {
			o.add(fmt.Sprint(i), i, 1)
		}
		r.Wake()
		synctest.Wait() // no time passes
		inOrder(t, o, b)
	})
}

func TestRelayFindsRowsOfOtherReplicas(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o, b := newFakeOutbox(), newFakeBroker()
		stop := start(t, newTestRelay(o, b))
		defer stop()
		synctest.Wait()
		o.add("e", 0, 1) // nobody wakes this relay
		time.Sleep(1100 * time.Millisecond)
		require.Len(t, b.of("e"), 1)
	})
}

func TestRelayBacksOffWhileTheBrokerIsAway(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o, b := newFakeOutbox(), newFakeBroker()
		var back atomic.Bool
		b.failing = func(store.Outbox) error {
			if !back.Load() {
				return outcome.Fail(outcome.CodeTransient, "publish", "broker away")
			}
			return nil
		}
		o.add("e", 3, 20)
		r := newTestRelay(o, b)
		stop := start(t, r)
		defer stop()
		for range 100 { // commits go on meanwhile, and each wakes the relay
			r.Wake()
			time.Sleep(3 * time.Second)
		}
		require.Less(t, o.looked(), 500, "back-off holds although it is woken")
		back.Store(true)
		time.Sleep(20 * time.Second)
		inOrder(t, o, b)
	})
}

func TestRelaySetsAsideWhatTheBrokerWillNotTake(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o, b := newFakeOutbox(), newFakeBroker()
		b.failing = func(m store.Outbox) error {
			if m.MessageID == "bad-2" {
				return outcome.Fail(outcome.CodeException, "publish", "too large")
			}
			return nil
		}
		o.add("bad", 0, 3)
		r := newTestRelay(o, b)
		stop := start(t, r)
		defer stop()
		for i := range 20 {
			o.add(fmt.Sprintf("good%d", i), 1+i%3, 5)
			r.Wake()
			time.Sleep(time.Second)
		}
		require.Equal(t, []string{"bad-1", "bad-3"}, b.of("bad"), "those behind it go on")
		require.Equal(t, []int64{2}, o.aside, "it waits for a person")
		require.Zero(t, o.unsent())
	})
}

func TestRelayLeavesOutThePartitionThatFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o, b := newFakeOutbox(), newFakeBroker()
		var back atomic.Bool
		b.failing = func(m store.Outbox) error {
			if m.Episode == "stuck" && !back.Load() {
				return outcome.Fail(outcome.CodeTransient, "publish", "no stream for it now")
			}
			return nil
		}
		o.add("stuck", 0, 3)
		o.add("good", 1, 600)
		o.add("better", 2, 5)
		stop := start(t, newTestRelay(o, b))
		defer stop()
		time.Sleep(time.Second)
		require.Len(t, b.of("good"), 600)
		require.Len(t, b.of("better"), 5)
		back.Store(true)
		time.Sleep(30 * time.Second)
		inOrder(t, o, b)
	})
}

func TestRelayRepeatsWhatItCouldNotMark(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o, b := newFakeOutbox(), newFakeBroker()
		o.add("e", 0, 10)
		o.markErr = outcome.Fail(outcome.CodeNoStore, "mark", "store away")
		stop := start(t, newTestRelay(o, b))
		time.Sleep(30 * time.Second)
		stop()
		inOrder(t, o, b)
		require.Equal(t, 10, b.copies, "all ten were sent again under their ids")
	})
}

// TestRelaysSideBySide lets relays stall for longer than their leases at random places.
// What a stream keeps is still each row once and each episode in order.
func TestRelaysSideBySide(t *testing.T) {
	for seed := range uint64(20) {
		t.Run(fmt.Sprintf("seed %d", seed), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				random := rand.New(rand.NewPCG(seed, 1))
				o, b := newFakeOutbox(), newFakeBroker()
				b.stall = func(ctx context.Context, _ store.Outbox) {
					b.mu.Lock()
					d := time.Duration(random.IntN(100)) * time.Millisecond
					late := random.IntN(60) == 0
					b.mu.Unlock()
					if late {
						time.Sleep(25 * time.Second) // a machine that stood still knows no deadline
						return
					}
					pause(ctx, nil, d)
				}
				first, second := start(t, newTestRelay(o, b)), start(t, newTestRelay(o, b))
				for i := range 30 {
					o.add(fmt.Sprintf("e%d", i%6), i%6, 10)
					time.Sleep(time.Second)
				}
				for o.unsent() > 0 {
					time.Sleep(time.Second)
				}
				first()
				second()
				inOrder(t, o, b)
			})
		})
	}
}

func TestDrain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o, b := newFakeOutbox(), newFakeBroker()
		o.add("e", 0, 1000)
		o.add("f", 1, 1000)
		require.NoError(t, newTestRelay(o, b).Drain(t.Context()))
		inOrder(t, o, b)
	})
}
