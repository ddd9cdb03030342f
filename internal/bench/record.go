package main

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"time"

	"fhirsvc/internal/store"
	"fhirsvc/internal/store/group"
	"fhirsvc/internal/store/postgres"
)

// recorder is a store that remembers what was committed.
type recorder struct {
	store.Store
	mu      sync.Mutex
	commits []store.Changeset
}

// Commit passes on, and remembers.
func (r *recorder) Commit(ctx context.Context, changes []store.Changeset) ([]store.Result, error) {
	results, err := r.Store.Commit(ctx, changes)
	if err != nil {
		return nil, err
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	for i, result := range results {
		if result.Status == store.Committed {
			r.commits = append(r.commits, changes[i])
		}
	}
	return results, nil
}

// packed gives a changeset with all bytes as they are stored.
func packed(c store.Changeset) store.Changeset {
	if in := c.Inbox; in != nil {
		same := *in
		same.Answer = postgres.Packed(same.Answer)
		c.Inbox = &same
	}
	c.Episodes, c.Resources = slices.Clone(c.Episodes), slices.Clone(c.Resources)
	for i := range c.Episodes {
		e := &c.Episodes[i]
		e.State, e.Input.Body, e.Input.Answer = postgres.Packed(e.State), postgres.Packed(e.Input.Body), postgres.Packed(e.Input.Answer)
	}
	for i := range c.Resources {
		c.Resources[i].Body = postgres.Packed(c.Resources[i].Body)
	}
	return c
}

// take gives what was committed since the last time, as it is stored.
func (r *recorder) take() []store.Changeset {
	r.mu.Lock()
	defer r.mu.Unlock()
	all := r.commits
	r.commits = nil
	for i, c := range all {
		all[i] = packed(c)
	}
	return all
}

// rows are the changesets that the service made of the same inputs, for each patient in
// order.
type rows struct {
	before  []store.Changeset // what the service writes at its start
	events  [][]store.Changeset
	settled []store.Changeset // what was due at once
	charts  [][]store.Changeset
	due     [][]store.Changeset
	fired   figures // what was due, as the service in this process did it
}

// record takes patients through the service and gives the rows that it wrote, as far as a part
// needs them.
func record(ctx context.Context, o options, database string, patients []patient, m meter) (rows, error) {
	st, err := postgres.Open(ctx, database)
	if err != nil {
		return rows{}, err
	}
	written := &recorder{Store: group.New(st)}
	defer written.Close()
	in, err := newInside(ctx, written)
	if err != nil {
		return rows{}, err
	}
	r := rows{before: written.take()}
	var all []known
	for _, p := range patients {
		k, err := in.begin(ctx, p)
		if err != nil {
			return rows{}, err
		}
		r.events = append(r.events, written.take())
		all = append(all, k)
	}
	if err := in.timers.FireDue(ctx); err != nil {
		return rows{}, err
	}
	r.settled = written.take()
	if o.part == events {
		return r, nil
	}
	for _, k := range all {
		for n := range charted {
			if err := in.chart(ctx, k.finding(n)); err != nil {
				return rows{}, fmt.Errorf("finding: %w", err)
			}
		}
		r.charts = append(r.charts, written.take())
	}
	if o.part == findings {
		return r, nil
	}
	in.turn(time.Hour) // now every episode is due
	stop, err := profiled(o.profileOf(dueTimes))
	if err != nil {
		return rows{}, err
	}
	defer stop()
	before, begun := m.read(), time.Now()
	if err := in.timers.FireDue(ctx); err != nil {
		return rows{}, err
	}
	r.fired = figures{took: time.Since(begun), cpu: m.read().since(before)}
	stop() // what follows is not the service's
	due := written.take()
	r.fired.done = len(due)
	for _, c := range due {
		r.due = append(r.due, []store.Changeset{c})
	}
	return r, nil
}

// indexed gives how many rows of the search index a changeset brings, which are most of all.
func indexed(all [][]store.Changeset) float64 {
	changesets, rows := 0, 0
	for _, c := range slices.Concat(all...) {
		changesets++
		for _, r := range c.Resources {
			rows += len(r.Index)
		}
	}
	return float64(rows) / float64(changesets)
}
