package simulation

import (
	"runtime"
	"sync"
	"sync/atomic"

	"fhirsvc/internal/workflow"
)

// Ward is what a run is played with.
type Ward struct {
	Protocols []*workflow.Protocol // taken in turn; at least one
	Rates     Rates
	Seed      uint64
	// Volume is the air in every band at the start, mL; 0 draws 13 to 16 mL for each.
	Volume workflow.Decimal
}

// Run plays n episodes, as many at a time as there are processors, and gives their results
// in order: the same for the same ward, however many processors there are. Progress, which
// may be nil, is told how many are done, by one caller at a time; when it returns false no
// further episode is begun, and the results are those of the episodes begun so far.
func (w Ward) Run(n int, progress func(done int) bool) []Result {
	results := make([]Result, n)
	var begun, done, stopped atomic.Int64
	var telling sync.Mutex
	tell := func() {
		telling.Lock()
		defer telling.Unlock()
		if progress != nil && !progress(int(done.Add(1))) {
			stopped.Store(1)
		}
	}
	var workers sync.WaitGroup
	for range min(n, runtime.GOMAXPROCS(0)) {
		workers.Go(func() {
			for stopped.Load() == 0 {
				i := int(begun.Add(1)) - 1
				if i >= n {
					return
				}
				results[i] = w.play(i)
				tell()
			}
		})
	}
	workers.Wait()
	return results[:min(int(begun.Load()), n)]
}

func (w Ward) play(i int) Result {
	return play(w.Seed, uint64(i), w.Protocols[i%len(w.Protocols)], w.Volume, w.Rates)
}
