package fault

import (
	"context"
	"flag"
	"fmt"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/sandbox/bedside"
)

var (
	seeds = flag.Int("fault.seeds", 200, "how many wards TestSimulation plays")
	first = flag.Uint64("fault.seed", 0, "play this ward alone, and say what went wrong with it")
)

// play runs one ward and gives what is wrong with it in the end; nothing if all is well. A
// seed draws people and faults; who of two that are ready goes first is the scheduler's, so
// that a seed that failed fails again often, not always.
func play(t *testing.T, seed uint64, p planted) (faults []string) {
	incoming()
	outgoing()
	synctest.Test(t, func(t *testing.T) {
		w := newWard(seed, p)
		w.replicas = []*replica{w.start(), w.start()}
		ctx, cancel := context.WithTimeout(context.Background(), shift)
		var people sync.WaitGroup
		for n := range 1 + w.dice.n(3) {
			c := bedside.NewCase(100+n, "diagnostic", time.Now())
			people.Go(func() {
				w.dice.nap(ctx, 5*time.Minute)
				w.send(c)
			})
			for nurse := range 2 {
				people.Go(func() { w.nurse(ctx, fmt.Sprintf("nurse-%d-%d", n, nurse), c) })
			}
		}
		people.Go(func() { w.reaper(ctx) })
		people.Wait()
		cancel()
		w.calm.Store(true)
		time.Sleep(2 * time.Minute) // leases of the dead end, and what they left is done
		for _, r := range w.replicas {
			r.rest()
		}
		w.over = time.Now()
		time.Sleep(15 * time.Second) // what the last due time changed is told
		for _, r := range w.replicas {
			r.stop()
			r.done.Wait()
		}
		faults = w.check()
	})
	return faults
}

// Whatever fails, what was acknowledged is there once, every change is told in order, no
// due time is left behind, and the record gives the state.
func TestSimulation(t *testing.T) {
	if *first != 0 {
		require.Empty(t, play(t, *first, planted{}))
		return
	}
	most := *seeds
	if testing.Short() {
		most = min(most, 10)
	}
	for seed := uint64(1); seed <= uint64(most); seed++ {
		if faults := play(t, seed, planted{}); len(faults) > 0 {
			t.Fatalf("seed %d (try -fault.seed %d -count 50):\n%v", seed, seed, faults)
		}
	}
}

// bugs are put in on purpose, one at a time: each is found, or the checker is blind to it.
func bugs() map[string]planted {
	return map[string]planted{
		"an input is acknowledged before it is committed":       {ackBeforeCommit: true},
		"a message is marked as sent before it is":              {markBeforeSend: true},
		"messages of an episode are sent in any order":          {anyOrder: true},
		"a due time that was claimed by a dead replica is lost": {claimsForgotten: true},
		"nobody holds a business identifier":                    {identitiesForgotten: true},
	}
}

// TestPlantedBugs says after how many seeds each is found. docs/reliability.md has the
// table.
func TestPlantedBugs(t *testing.T) {
	const most = 60
	for name, p := range bugs() {
		if testing.Short() && !p.anyOrder {
			continue // one of them shows that the checker looks
		}
		t.Run(name, func(t *testing.T) {
			for seed := uint64(1); seed <= most; seed++ {
				if faults := play(t, seed, p); len(faults) > 0 {
					t.Logf("found by seed %d: %s", seed, faults[0])
					return
				}
			}
			t.Fatalf("not found by %d seeds", most)
		})
	}
}
