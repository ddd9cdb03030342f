package fault

import (
	"context"
	"flag"
	"fmt"
	"os"
	"runtime"
	"runtime/debug"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/sandbox/bedside"
)

var (
	shifts  = flag.Int("fault.shifts", 100, "how many wards TestShifts plays")
	moments = flag.Int("fault.moments", 500, "how many TestMoments plays")
	first   = flag.Uint64("fault.seed", 0, "play this ward alone, and say what went wrong with it")
)

// Nothing of a ward stays, so that the collector may wait until there is much: some 200 MiB.
func TestMain(m *testing.M) {
	debug.SetGCPercent(-1)
	debug.SetMemoryLimit(200 << 20)
	os.Exit(m.Run())
}

// play runs one ward and gives what is wrong with it in the end; nothing if all is well. A
// seed draws people and faults; who of two that are ready goes first is the scheduler's, so
// that a seed that failed fails again often, not always.
func play(t *testing.T, seed uint64, draw func(*dice) size, p planted) (faults []string) {
	installed() // outside the bubble: it stays
	synctest.Test(t, func(t *testing.T) {
		w := newWard(seed, draw, p)
		w.replicas = []*replica{w.start(), w.start()}
		ctx, cancel := context.WithTimeout(context.Background(), w.span)
		var people sync.WaitGroup
		for n := range w.cases {
			c := bedside.NewCase(100+n, "diagnostic", time.Now().Add(-w.ended))
			people.Go(func() {
				w.dice.nap(ctx, w.span/14)
				w.send(c)
			})
			for nurse := range w.nurses {
				people.Go(func() { w.nurse(ctx, fmt.Sprintf("nurse-%d-%d", n, nurse), c) })
			}
		}
		people.Go(func() { w.reaper(ctx) })
		people.Go(func() { w.watch(ctx) })
		people.Wait()
		cancel()
		w.calm.Store(true)
		w.settle(45 * time.Second) // leases of the dead end, and what they left is done
		for _, r := range w.replicas {
			r.rest()
		}
		w.over = time.Now()
		w.settle(15 * time.Second) // what the last due time changed is told
		for _, r := range w.replicas {
			r.stop()
			r.done.Wait()
		}
		faults = w.check()
	})
	return faults
}

// simulate plays wards of a size, those of the seeds 1 to most, as many at a time as there are
// processors.
func simulate(t *testing.T, draw func(*dice) size, most int, p planted) {
	t.Helper()
	if *first != 0 {
		require.Empty(t, play(t, *first, draw, p))
		return
	}
	var next atomic.Uint64
	for worker := range runtime.GOMAXPROCS(0) {
		t.Run(fmt.Sprintf("worker %d", worker), func(t *testing.T) {
			t.Parallel()
			for seed := next.Add(1); seed <= uint64(most) && !t.Failed(); seed = next.Add(1) {
				if faults := play(t, seed, draw, p); len(faults) > 0 {
					next.Add(uint64(most))
					t.Fatalf("seed %d (try -fault.seed %d -count 50):\n%v", seed, seed, faults)
				}
			}
		})
	}
}

// Whatever fails, what was acknowledged is there once, every change is told in order, no
// due time is left behind, and the record gives the state.
func TestShifts(t *testing.T) {
	most := *shifts
	if testing.Short() {
		most = min(most, 10)
	}
	simulate(t, shift, most, planted{})
}

func TestMoments(t *testing.T) {
	most := *moments
	if testing.Short() {
		most = min(most, 50)
	}
	simulate(t, moment, most, planted{})
}

// Leases save work and promise nothing: when all of them end too early, everything is done by
// several replicas at once, and still counts once and is told in order (ADR 0031).
func TestLeasesPromiseNothing(t *testing.T) {
	most := 200
	if testing.Short() {
		most = 20
	}
	simulate(t, moment, most, planted{leasesEnd: true})
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
	const most = 400
	for name, p := range bugs() {
		if testing.Short() && !p.anyOrder {
			continue // one of them shows that the checker looks
		}
		t.Run(name, func(t *testing.T) {
			for seed := uint64(1); seed <= most; seed++ {
				if faults := play(t, seed, moment, p); len(faults) > 0 {
					t.Logf("found by seed %d: %s", seed, faults[0])
					return
				}
			}
			t.Fatalf("not found by %d seeds", most)
		})
	}
}
