package delivery

import (
	"context"
	"fmt"
	"log/slog"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
	"fhirsvc/internal/store/storetest"
)

// fakeCarrier takes what a store has waiting, or does what a test says.
type fakeCarrier struct {
	name  string
	store *storetest.Memory
	does  func(c store.DeliveryClaim) (store.DeliverySettlement, bool) // false: it takes all

	mu    sync.Mutex
	took  map[string][]string // by episode
	tries map[string]int
	now   int // under way
	most  int
}

func newFakeCarrier(name string, st *storetest.Memory) *fakeCarrier {
	return &fakeCarrier{name: name, store: st, took: map[string][]string{}, tries: map[string]int{}, does: func(store.DeliveryClaim) (store.DeliverySettlement, bool) {
		return store.DeliverySettlement{}, false
	}}
}

func (f *fakeCarrier) Name() string         { return f.name }
func (f *fakeCarrier) Lease() time.Duration { return 2 * time.Minute }

func (f *fakeCarrier) Carry(ctx context.Context, c store.DeliveryClaim) (store.DeliverySettlement, error) {
	f.mu.Lock()
	f.tries[c.Episode]++
	f.now++
	f.most = max(f.most, f.now)
	does := f.does
	f.mu.Unlock()
	defer func() { f.mu.Lock(); f.now--; f.mu.Unlock() }()
	if s, failed := does(c); failed {
		return s, nil
	}
	all, err := f.store.WaitingDeliveries(ctx, c, 10)
	f.mu.Lock()
	defer f.mu.Unlock()
	var s store.DeliverySettlement
	for _, d := range all {
		f.took[c.Episode], s.Sent = append(f.took[c.Episode], d.ID), append(s.Sent, d.Seq)
	}
	return s, err
}

func (f *fakeCarrier) has(episode string) []string {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.took[episode]
}

func (f *fakeCarrier) tried(episode string) int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.tries[episode]
}

func (f *fakeCarrier) set(does func(c store.DeliveryClaim) (store.DeliverySettlement, bool)) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.does = does
}

// deliveringSite commits changes and has a deliverer for each destination.
type deliveringSite struct {
	*testing.T
	*storetest.Memory
	made int
	all  []*Deliverer
	stop context.CancelFunc
	done sync.WaitGroup
}

func newDeliveringSite(t *testing.T, carriers ...*fakeCarrier) *deliveringSite {
	s := &deliveringSite{T: t, Memory: carriers[0].store}
	ctx, cancel := context.WithCancel(t.Context())
	s.stop = cancel
	for _, c := range carriers {
		d := NewDeliverer(s.Memory, c, slog.New(slog.DiscardHandler))
		s.all = append(s.all, d)
		s.done.Go(func() { d.Run(ctx) })
	}
	synctest.Wait()
	return s
}

func (s *deliveringSite) end() { s.stop(); s.done.Wait() }

// change commits an input of an episode and gives the id of what it changed.
func (s *deliveringSite) change(episode string) string {
	s.Helper()
	s.made++
	id := fmt.Sprintf("%s-%d", episode, s.made)
	_, err := s.Commit(s.Context(), []store.Changeset{{Outbox: []store.Outbox{{Episode: episode, MessageID: id}}}})
	require.NoError(s, err)
	_, err = s.MatchOutbox(s.Context(), 100, func(_ context.Context, changes []store.OutboxRow, _ []store.Subscription) (store.Matched, error) {
		var m store.Matched
		for _, c := range changes {
			m.Deliveries = append(m.Deliveries, store.Delivery{Seq: c.Seq, Episode: c.Episode, Change: c.Seq, Type: "Task", ID: c.MessageID, Version: 1})
		}
		return m, nil
	})
	require.NoError(s, err)
	for _, d := range s.all {
		d.Wake()
	}
	return id
}

func notNow(wait time.Duration) func(store.DeliveryClaim) (store.DeliverySettlement, bool) {
	return func(store.DeliveryClaim) (store.DeliverySettlement, bool) {
		return store.DeliverySettlement{Failed: true, Away: true, Wait: wait, Pause: wait}, true
	}
}

// A destination that hangs or is away holds up no other, for days; when it is back it has all
// within two minutes, in order.
func TestAnOutageOfDaysHoldsUpNobodyElse(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		st := storetest.NewMemory()
		good, bad := newFakeCarrier("good", st), newFakeCarrier("bad", st)
		bad.set(func(store.DeliveryClaim) (store.DeliverySettlement, bool) {
			time.Sleep(30 * time.Second)
			return store.DeliverySettlement{Failed: true, Away: true, Doubt: true}, true
		})
		s := newDeliveringSite(t, good, bad)
		defer s.end()
		want := map[string][]string{}
		for i := range 72 {
			e := fmt.Sprintf("e%d", i%5)
			want[e] = append(want[e], s.change(e))
			time.Sleep(time.Second)
			require.Equal(t, want[e], good.has(e), "at once")
			time.Sleep(time.Hour)
		}
		asked := 0
		for e := range want {
			asked += bad.tried(e)
		}
		require.Less(t, asked, 72*60+100, "once in a minute at most, whatever waits")
		backlogs, err := st.Backlogs(t.Context())
		require.NoError(t, err)
		require.Equal(t, 72, backlogs[1].Waiting)
		require.Equal(t, "bad", backlogs[1].Destination)
		require.Greater(t, time.Since(backlogs[1].Oldest), 71*time.Hour)
		bad.set(good.does)
		time.Sleep(2*time.Minute + 30*time.Second)
		for e := range want {
			require.Equal(t, want[e], bad.has(e))
		}
		require.LessOrEqual(t, good.most, sideBySideOne)
	})
}

// Retry-After is kept, and shortens no wait.
func TestADestinationIsLeftAloneAsItAsks(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := newFakeCarrier("ehr", storetest.NewMemory())
		c.set(notNow(10 * time.Minute))
		s := newDeliveringSite(t, c)
		defer s.end()
		s.change("e")
		time.Sleep(9 * time.Minute)
		require.Equal(t, 1, c.tried("e"))
		s.change("f")
		time.Sleep(30 * time.Second)
		require.Zero(t, c.tried("f"), "nor is it asked for another episode")
		time.Sleep(2 * time.Minute)
		require.Equal(t, 2, c.tried("e")+c.tried("f"))
	})
}

// An episode that fails for ever while others are taken comes to wait for a person; one that
// fails with all others does not.
func TestAPoisonEpisodeIsGivenUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := newFakeCarrier("ehr", storetest.NewMemory())
		c.set(func(c store.DeliveryClaim) (store.DeliverySettlement, bool) {
			return store.DeliverySettlement{Failed: true, Why: store.Refusal{Code: "exception", Status: 500}}, c.Episode == "poison"
		})
		s := newDeliveringSite(t, c)
		defer s.end()
		s.change("poison")
		time.Sleep(24 * time.Hour)
		queues, err := s.DeliveryQueues(t.Context())
		require.NoError(t, err)
		require.Zero(t, queues[0].RefusedAt, "nobody else's was taken: it may be the destination's fault")
		require.InDelta(t, 110, c.tried("poison"), 15, "a quarter of an hour apart")
		want := s.change("good")
		time.Sleep(20 * time.Minute)
		require.Equal(t, []string{want}, c.has("good"))
		queues, err = s.DeliveryQueues(t.Context())
		require.NoError(t, err)
		require.Len(t, queues, 1)
		require.NotZero(t, queues[0].RefusedAt)
		require.Equal(t, store.Refusal{Code: "exception", Status: 500}, queues[0].Refusal)
		before := c.tried("poison")
		time.Sleep(24 * time.Hour)
		require.Equal(t, before, c.tried("poison"))
	})
}

// A deliverer outlives the store's absence, and ends when it is told.
func TestDelivererOutlivesTheStore(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := newFakeCarrier("ehr", storetest.NewMemory())
		gone := &goneStore{Memory: c.store}
		gone.away = true
		d := NewDeliverer(gone, c, slog.New(slog.DiscardHandler))
		ctx, cancel := context.WithCancel(t.Context())
		var done sync.WaitGroup
		done.Go(func() { d.Run(ctx) })
		time.Sleep(time.Minute)
		gone.set(false)
		time.Sleep(15 * time.Second)
		s := &deliveringSite{T: t, Memory: c.store, all: []*Deliverer{d}}
		want := s.change("e")
		time.Sleep(15 * time.Second)
		require.Equal(t, []string{want}, c.has("e"))
		cancel()
		done.Wait()
	})
}

type goneStore struct {
	*storetest.Memory
	mu   sync.Mutex
	away bool
}

func (g *goneStore) set(away bool) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.away = away
}

func (g *goneStore) AddDestination(ctx context.Context, name string) error {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.away {
		return outcome.Fail(outcome.CodeNoStore, "add", "away")
	}
	return g.Memory.AddDestination(ctx, name)
}
