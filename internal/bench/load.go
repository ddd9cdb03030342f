package main

import (
	"context"
	"errors"
	"slices"
	"sync"
	"sync/atomic"
	"time"
)

// figures are what one load measured.
type figures struct {
	done    int
	took    time.Duration
	latency []time.Duration // of each, sorted
	cpu     usage
}

// rate gives operations a second by the clock.
func (f figures) rate() float64 { return float64(f.done) / f.took.Seconds() }

// share gives the latency that a share of the operations did not exceed.
func (f figures) share(q float64) time.Duration {
	if len(f.latency) == 0 {
		return 0
	}
	return f.latency[min(int(q*float64(len(f.latency))), len(f.latency)-1)]
}

// each gives processor time for one operation.
func (f figures) each(d time.Duration) time.Duration {
	if f.done == 0 {
		return 0
	}
	return d / time.Duration(f.done)
}

// job is one piece of work of a worker; it is timed.
type job func(ctx context.Context) error

// closedLoop lets workers do their jobs one after the other, all workers at once. The first
// error ends it.
func closedLoop(ctx context.Context, m meter, workers [][]job) (figures, error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var wg sync.WaitGroup
	errs := make([]error, len(workers))
	times := make([][]time.Duration, len(workers))
	var done atomic.Int64
	before, begun := m.read(), time.Now()
	for i, jobs := range workers {
		wg.Go(func() {
			for _, do := range jobs {
				start := time.Now()
				if errs[i] = do(ctx); errs[i] != nil {
					cancel()
					return
				}
				times[i] = append(times[i], time.Since(start))
				done.Add(1)
			}
		})
	}
	wg.Wait()
	f := figures{done: int(done.Load()), took: time.Since(begun), cpu: m.read().since(before)}
	f.latency = slices.Concat(times...)
	slices.Sort(f.latency)
	return f, errors.Join(errs...)
}

// spread gives the jobs of each item to one of n workers, in order.
func spread[T any](items []T, n int, jobsOf func(T) []job) [][]job {
	workers := make([][]job, min(n, len(items)))
	for i, item := range items {
		w := i % len(workers)
		workers[w] = append(workers[w], jobsOf(item)...)
	}
	return workers
}
