package main

import (
	"context"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"time"

	"fhirsvc/api"
	"fhirsvc/internal/episode"
	"fhirsvc/internal/fhir/profiles"
	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/fhir/validate"
	"fhirsvc/internal/store"
)

// inside is the service in this process.
type inside struct {
	*episode.Service
	timers *episode.Timers
	mu     sync.Mutex
	ahead  time.Duration // of the clock
}

func newInside(ctx context.Context, st store.Store) (_ *inside, err error) {
	in := &inside{}
	var protocols, published [][]byte
	for _, body := range approved() {
		protocols = append(protocols, body)
	}
	for _, body := range api.Conformance() {
		published = append(published, body)
	}
	release, err := episode.NewRelease(protocols, published, false)
	if err != nil {
		return nil, err
	}
	outgoing, log := validate.New(profiles.Outgoing()), slog.New(slog.DiscardHandler)
	in.Service, err = episode.New(ctx, episode.Options{
		Store: st, Incoming: validate.New(profiles.Incoming()), Outgoing: outgoing, Clock: in.clock, Log: log,
		Release: release, Endpoint: "http://127.0.0.1:8080/fhir", Software: "bench",
		Auditor: episode.NewAuditor(episode.AuditorOptions{Store: st, Outgoing: outgoing, Clock: in.clock, Log: log}),
	})
	if err != nil {
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

// chart takes a finding in.
func (in *inside) chart(ctx context.Context, body []byte) error {
	_, err := in.Chart(ctx, nobody(), []episode.Entry{{Method: "POST", Type: "Observation", Body: body}})
	return err
}

// begin takes an event in, and gives the patient with the ids in the store.
func (in *inside) begin(ctx context.Context, p patient) (known, error) {
	if err := in.take(ctx, p); err != nil {
		return known{}, fmt.Errorf("event: %w", err)
	}
	return in.find(ctx, p)
}

// take takes an event in.
func (in *inside) take(ctx context.Context, p patient) error {
	_, err := in.Message(ctx, episode.Message{Body: p.Event(), Door: episode.DoorJetStream})
	return err
}

// find gives a patient with the ids in the store.
func (in *inside) find(ctx context.Context, p patient) (known, error) {
	k := known{patient: p}
	for kind, into := range map[string]*string{p.Patient(): &k.subject, p.Procedure(): &k.procedure} {
		system, value, _ := strings.Cut(kind, "|")
		resourceType := map[*string]string{&k.subject: "Patient", &k.procedure: "Procedure"}[into]
		page, err := in.Store.Search(ctx, search.Query{Type: resourceType, Count: 1, All: []search.Condition{
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
