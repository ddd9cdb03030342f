package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"runtime/pprof"
	"slices"
	"strings"
	"sync"
	"time"

	"fhirsvc/api"
	"fhirsvc/internal/episode"
	"fhirsvc/internal/fhir/profiles"
	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/fhir/validate"
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
			r.commits = append(r.commits, packed(changes[i]))
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

// take gives what was committed since the last time.
func (r *recorder) take() []store.Changeset {
	r.mu.Lock()
	defer r.mu.Unlock()
	all := r.commits
	r.commits = nil
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

// inside is the service in this process.
type inside struct {
	*episode.Service
	timers *episode.Timers
	store  *recorder
	close  func()
	mu     sync.Mutex
	ahead  time.Duration // of the clock
}

func newInside(ctx context.Context, database string) (*inside, error) {
	st, err := postgres.Open(ctx, database)
	if err != nil {
		return nil, err
	}
	in := &inside{store: &recorder{Store: group.New(st)}, close: st.Close}
	var protocols, published [][]byte
	for _, body := range approved() {
		protocols = append(protocols, body)
	}
	for _, body := range api.Conformance() {
		published = append(published, body)
	}
	outgoing, log := validate.New(profiles.Outgoing()), slog.New(slog.DiscardHandler)
	in.Service, err = episode.New(ctx, episode.Options{
		Store: in.store, Incoming: validate.New(profiles.Incoming()), Outgoing: outgoing, Clock: in.clock, Log: log,
		Protocols: protocols, Published: published, Endpoint: "http://127.0.0.1:8080/fhir", Software: "bench",
		Auditor: episode.NewAuditor(episode.AuditorOptions{Store: st, Outgoing: outgoing, Clock: in.clock, Log: log}),
	})
	if err != nil {
		st.Close()
		return nil, err
	}
	in.timers = episode.NewTimers(in.Service, nil)
	return in, nil
}

func (in *inside) clock() time.Time {
	in.mu.Lock()
	defer in.mu.Unlock()
	return time.Now().Add(in.ahead)
}

func (in *inside) turn(d time.Duration) {
	in.mu.Lock()
	defer in.mu.Unlock()
	in.ahead += d
}

// nobody is who every caller is without authentication, as in the program.
func nobody() episode.Client {
	return episode.Client{ID: "anonymous", Display: "Unauthenticated client", Address: "127.0.0.1", Trace: strings.Repeat("0", 32), Units: episode.AllUnits()}
}

// record takes patients through the service and gives the rows that it wrote.
func record(ctx context.Context, database string, patients []patient, m meter, profile string) (rows, error) {
	in, err := newInside(ctx, database)
	if err != nil {
		return rows{}, err
	}
	defer in.close()
	r := rows{before: in.store.take()}
	var all []known
	for _, p := range patients {
		if _, err := in.Message(ctx, episode.Message{Body: p.Event(), Door: episode.DoorJetStream}); err != nil {
			return rows{}, fmt.Errorf("event: %w", err)
		}
		r.events = append(r.events, in.store.take())
		k, err := in.find(ctx, p)
		if err != nil {
			return rows{}, err
		}
		all = append(all, k)
	}
	if err := in.timers.FireDue(ctx); err != nil {
		return rows{}, err
	}
	r.settled = in.store.take()
	stop, err := profiled(profile)
	if err != nil {
		return rows{}, err
	}
	defer stop()
	for _, k := range all {
		for n := range charted {
			if _, err := in.Chart(ctx, nobody(), []episode.Entry{{Method: "POST", Type: "Observation", Body: k.finding(n)}}); err != nil {
				return rows{}, fmt.Errorf("finding: %w", err)
			}
		}
		r.charts = append(r.charts, in.store.take())
	}
	stop()
	in.turn(time.Hour) // now every episode is due
	before, begun := m.read(), time.Now()
	if err := in.timers.FireDue(ctx); err != nil {
		return rows{}, err
	}
	due := in.store.take()
	r.fired = figures{done: len(due), took: time.Since(begun), cpu: m.read().since(before)}
	for _, c := range due {
		r.due = append(r.due, []store.Changeset{c})
	}
	return r, nil
}

// find gives a patient with the ids in the store.
func (in *inside) find(ctx context.Context, p patient) (known, error) {
	k := known{patient: p}
	for kind, into := range map[string]*string{p.Patient(): &k.subject, p.Procedure(): &k.procedure} {
		system, value, _ := strings.Cut(kind, "|")
		resourceType := map[*string]string{&k.subject: "Patient", &k.procedure: "Procedure"}[into]
		page, err := in.store.Search(ctx, search.Query{Type: resourceType, Count: 1, All: []search.Condition{
			{Param: "identifier", Kind: search.Token, Any: []search.Term{{System: system, SystemGiven: true, Code: value}}},
		}})
		if err == nil && len(page.Matches) != 1 {
			err = fmt.Errorf("%s: %d of patient %d", resourceType, len(page.Matches), p.number)
		}
		if err != nil {
			return k, err
		}
		*into = resourceType + "/" + page.Matches[0].ID
	}
	return k, nil
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

// profiled writes a profile of this process's processor time into a file until stop is called,
// which may be done again; "" writes none.
func profiled(file string) (stop func(), err error) {
	if file == "" {
		return func() {}, nil
	}
	f, err := os.Create(file)
	if err != nil {
		return nil, err
	}
	if err := pprof.StartCPUProfile(f); err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return sync.OnceFunc(func() {
		pprof.StopCPUProfile()
		_ = f.Close() // a profile cut short shows when it is read
	}), nil
}
