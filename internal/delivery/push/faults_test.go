package push_test

import (
	"fmt"
	"math/rand/v2"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/delivery/push/pushtest"
	"fhirsvc/internal/store"
)

// ward is a site on which everything goes wrong that a seed draws.
type ward struct {
	*site
	rng *rand.Rand
}

// shared is a source that the server and the replicas draw from: they take turns, since one
// waits for the other, but a request that was given up is answered late.
type shared struct {
	mu sync.Mutex
	of rand.Source
}

func (s *shared) Uint64() uint64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.of.Uint64()
}

// input changes something of an episode: new Tasks and findings, and new versions of those
// that are there.
func (w *ward) input(episode string) {
	w.Helper()
	made := map[string]store.Resource{}
	put := func(r store.Resource) { made[r.Type+"/"+r.ID] = r }
	name := func(kind string) string { return fmt.Sprintf("%s-%s%d", episode, kind, w.rng.IntN(4)) }
	status := []string{"draft", "ready", "in-progress", "completed"}[w.rng.IntN(4)]
	k, f := name("t"), name("o")
	identifier := ""
	if f[len(f)-1]%2 == 0 {
		identifier = f
	}
	switch w.rng.IntN(4) {
	case 0:
		put(task(k, status))
	case 1:
		put(finding(f, fmt.Sprintf("%d.50", w.rng.IntN(20)), identifier))
	case 2:
		put(finding(f, fmt.Sprint(w.rng.IntN(20)), identifier))
		put(task(k, status, f))
	default:
		put(task(k, status))
		put(plan(episode, k))
	}
	var all []store.Resource
	for _, r := range made {
		all = append(all, r)
	}
	w.change(episode, all...)
}

func (w *ward) fault() pushtest.Fault {
	switch w.rng.IntN(12) {
	case 0, 1:
		return pushtest.Fault{Drop: true}
	case 2, 3:
		return pushtest.Fault{Late: true}
	case 4:
		return pushtest.Fault{Cut: true}
	case 5:
		return pushtest.Fault{Status: []int{429, 500, 502, 503}[w.rng.IntN(4)]}
	case 6:
		return pushtest.Fault{Status: []int{409, 412}[w.rng.IntN(2)]}
	}
	return pushtest.Fault{}
}

// carry lets one of several replicas carry, which may die before it settles: then its lease
// ends, and another one comes.
func (w *ward) carry() bool {
	w.Helper()
	claims, err := w.ClaimDeliveries(w.Context(), "ehr", 1, 0)
	require.NoError(w, err)
	if len(claims) == 0 {
		return false
	}
	c := claims[0]
	x, err := w.carrier.Carry(w.Context(), c)
	require.NoError(w, err)
	require.False(w, x.Refused, "%+v", x.Why)
	x.Wait, x.Pause = 0, 0
	if w.rng.IntN(5) > 0 {
		require.NoError(w, w.SettleDelivery(w.Context(), c, x))
	}
	return true
}

// Whatever the server answers or does not, whatever comes late or twice and whenever a replica
// dies: in the end the server has what the store has, each resource once.
func TestFaultsFromASeed(t *testing.T) {
	t.Parallel()
	seeds := uint64(150)
	if testing.Short() {
		seeds = 20
	}
	for seed := range seeds {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			w := &ward{site: newSite(t), rng: rand.New(&shared{of: rand.NewPCG(seed, 7)})}
			w.server.Fail(func(string) pushtest.Fault { return w.fault() })
			for range 25 {
				w.input([]string{"a", "b"}[w.rng.IntN(2)])
				for range w.rng.IntN(3) {
					w.carry()
				}
			}
			w.server.Fail(func(string) pushtest.Fault { return pushtest.Fault{} })
			end := time.Now().Add(time.Minute)
			for w.carry() {
				require.False(t, time.Now().After(end), "it never ends")
			}
			w.same()
		})
	}
}
