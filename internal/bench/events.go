package main

import (
	"context"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"

	"fhirsvc/internal/sandbox/bedside"
)

// eventsIn sends an event for each patient, a number of them at once, and waits for each
// until it is committed.
func (s *site) eventsIn(ctx context.Context, o options, client *bedside.Client, patients []patient, url string, m meter) (figures, error) {
	w, err := newWatch(ctx, url)
	if err != nil {
		return figures{}, err
	}
	defer w.stop()
	return closedLoop(ctx, m, loadOf(patients, o.workers, func(p patient) []job {
		return []job{func(ctx context.Context) error {
			committed := w.wait(p.Message)
			if err := client.Send(ctx, p.Event()); err != nil {
				return err
			}
			select {
			case <-committed:
				return nil
			case <-ctx.Done():
				return ctx.Err()
			}
		}}
	}))
}

// profileEvents lets the service in this process take events in, at the same concurrency and
// in groups, and writes a profile of that.
func (s *site) profileEvents(ctx context.Context, o options, patients []patient, file string) error {
	in, err := s.inside(ctx, grouped)
	if err != nil {
		return err
	}
	defer in.Store.Close()
	stop, err := profiled(file)
	if err != nil {
		return err
	}
	defer stop()
	_, err = closedLoop(ctx, meter{postmaster: s.postmaster}, loadOf(patients, o.workers, func(p patient) []job {
		return []job{func(ctx context.Context) error { return in.take(ctx, p) }}
	}))
	return err
}

// watchEvery is how often the watch looks: what it tells of is late by half of it. To look more
// often would cost the database and the client a tenth of what an event costs.
const watchEvery = 10 * time.Millisecond

// watch tells when a message is in the inbox, as seen over one connection of its own.
type watch struct {
	mu      sync.Mutex
	waiting map[string]chan struct{}
	cancel  context.CancelFunc
	done    chan struct{}
}

func newWatch(ctx context.Context, url string) (*watch, error) {
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithCancel(ctx)
	w := &watch{waiting: map[string]chan struct{}{}, cancel: cancel, done: make(chan struct{})}
	go func() {
		defer close(w.done)
		defer conn.Close(context.WithoutCancel(ctx)) //nolint:errcheck // it only read
		tick := time.NewTicker(watchEvery)
		defer tick.Stop()
		for ctx.Err() == nil {
			select {
			case <-tick.C:
				w.look(ctx, conn)
			case <-ctx.Done():
			}
		}
	}()
	return w, nil
}

func (w *watch) wait(id string) <-chan struct{} {
	w.mu.Lock()
	defer w.mu.Unlock()
	c := make(chan struct{})
	w.waiting[id] = c
	return c
}

// look asks for those that are waited for; an error shows in nobody being told.
func (w *watch) look(ctx context.Context, conn *pgx.Conn) {
	w.mu.Lock()
	ids := make([]string, 0, len(w.waiting))
	for id := range w.waiting {
		ids = append(ids, id)
	}
	w.mu.Unlock()
	if len(ids) == 0 {
		return
	}
	rows, err := conn.Query(ctx, `SELECT id FROM inbox WHERE source = $1 AND id = ANY ($2)`, source, ids)
	if err != nil {
		return
	}
	found, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		return
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, id := range found {
		close(w.waiting[id])
		delete(w.waiting, id)
	}
}

func (w *watch) stop() {
	w.cancel()
	<-w.done
}

// source is what the inbox calls the sender of a case's event.
const source = "message https://ehr.hospital.example/fhir"
