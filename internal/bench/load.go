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

// and gives both loads as one.
func (f figures) and(g figures) figures {
	both := figures{done: f.done + g.done, took: f.took + g.took, latency: slices.Concat(f.latency, g.latency), cpu: f.cpu.and(g.cpu)}
	slices.Sort(both.latency)
	return both
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

// load is work for a number of workers at once: lists of jobs, each done in order by one
// worker, which then takes the next list.
type load struct {
	workers int
	lists   [][]job
}

// loadOf gives a list of jobs for each item.
func loadOf[T any](items []T, workers int, jobsOf func(T) []job) load {
	l := load{workers: workers}
	for _, item := range items {
		l.lists = append(l.lists, jobsOf(item))
	}
	return l
}

// closedLoop lets the workers do all there is to do. The first error ends it.
func closedLoop(ctx context.Context, m meter, l load) (figures, error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var wg sync.WaitGroup
	errs := make([]error, l.workers)
	times := make([][]time.Duration, l.workers)
	var taken atomic.Int64
	before, begun := m.read(), time.Now()
	for i := range l.workers {
		wg.Go(func() {
			for next := taken.Add(1); next <= int64(len(l.lists)); next = taken.Add(1) {
				for _, do := range l.lists[next-1] {
					start := time.Now()
					if errs[i] = do(ctx); errs[i] != nil {
						cancel()
						return
					}
					times[i] = append(times[i], time.Since(start))
				}
			}
		})
	}
	wg.Wait()
	f := figures{took: time.Since(begun), cpu: m.read().since(before), latency: slices.Concat(times...)}
	f.done = len(f.latency)
	slices.Sort(f.latency)
	return f, errors.Join(errs...)
}
