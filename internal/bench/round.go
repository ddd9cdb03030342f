package main

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/nats-io/nats.go/jetstream"

	"fhirsvc/internal/sandbox/bedside"
	"fhirsvc/internal/store"
)

// result is what one round measured.
type result struct {
	echo, publish      figures
	bareEvents, events figures
	bareCharts, charts figures
	bareDue, due       figures
	single, grouped    figures    // findings in this process, see grouping
	rows               [2]float64 // of a finding: bare, and as the program wrote them
}

// round measures all once: the bare rows right before the service's and once more right after,
// since the machine is not the same from one minute to the next.
func (s *site) round(ctx context.Context, o options, number int) (result, error) {
	var r result
	now := time.Now()
	recorded, err := s.record(ctx, o, newPatients(number*10_000, o.patients, now))
	if err != nil {
		return r, fmt.Errorf("record: %w", err)
	}
	r.due = recorded.fired
	if err := s.bare(ctx, o, recorded, &r); err != nil {
		return r, fmt.Errorf("bare: %w", err)
	}
	if o.part != dueTimes {
		if err := s.served(ctx, o, newPatients(number*10_000, o.patients, now), &r); err != nil {
			return r, fmt.Errorf("served: %w", err)
		}
	}
	if err := s.bare(ctx, o, recorded, &r); err != nil {
		return r, fmt.Errorf("bare, after: %w", err)
	}
	if o.wants(findings) {
		if err := s.grouping(ctx, o, newPatients(number*10_000, o.patients, now), &r); err != nil {
			return r, fmt.Errorf("grouping: %w", err)
		}
	}
	if o.part == "" {
		if err := s.alone(ctx, o, &r); err != nil {
			return r, fmt.Errorf("alone: %w", err)
		}
	}
	if file := o.profileOf(events); file != "" {
		if err := s.profileEvents(ctx, o, newPatients(number*10_000, o.patients, now), file); err != nil {
			return r, fmt.Errorf("profile: %w", err)
		}
	}
	return r, nil
}

func (s *site) record(ctx context.Context, o options, patients []patient) (rows, error) {
	url, err := s.database(ctx)
	if err != nil {
		return rows{}, err
	}
	return record(ctx, o, url, patients, meter{postmaster: s.postmaster})
}

// bare writes what was recorded, at the same concurrency, and adds what it measured.
func (s *site) bare(ctx context.Context, o options, recorded rows, r *result) error {
	url, err := s.database(ctx)
	if err != nil {
		return err
	}
	b, err := openBare(ctx, url, o.workers)
	if err != nil {
		return err
	}
	defer b.pool.Close()
	for _, do := range b.all(recorded.before) {
		if err := do(ctx); err != nil {
			return err
		}
	}
	m := meter{postmaster: s.postmaster}
	// The first ones warm up connections and plans, here and with the program.
	measure := func(into *figures, rows [][]store.Changeset, warm int, jobs func([]store.Changeset) []job) error {
		if _, err := closedLoop(ctx, m, loadOf(rows[:warm], o.workers, jobs)); err != nil {
			return err
		}
		f, err := closedLoop(ctx, m, loadOf(rows[warm:], o.workers, jobs))
		*into = into.and(f)
		return err
	}
	warm := min(o.workers, len(recorded.events)/2)
	if err := measure(&r.bareEvents, recorded.events, warm, b.whole); err != nil {
		return err
	}
	for _, do := range b.all(recorded.settled) {
		if err := do(ctx); err != nil {
			return err
		}
	}
	if err := measure(&r.bareCharts, recorded.charts, min(warm, len(recorded.charts)), b.all); err != nil {
		return err
	}
	r.rows[0] = indexed(recorded.charts)
	return measure(&r.bareDue, recorded.due, 0, b.all)
}

// served measures the running program, and echo and the broker without it.
func (s *site) served(ctx context.Context, o options, patients []patient, r *result) (err error) {
	broker, err := child(ctx, "broker", s.folder+fmt.Sprintf("/broker-%d", len(s.databases)))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, broker.stop()) }()
	url, err := s.database(ctx)
	if err != nil {
		return err
	}
	service, err := s.serve(ctx, url, broker.address)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, service.stop()) }()
	client, err := bedside.Dial("http://"+service.address, broker.address)
	if err != nil {
		return err
	}
	defer client.Close()
	m := meter{postmaster: s.postmaster, service: service.cmd.Process.Pid, broker: broker.cmd.Process.Pid}
	warm := min(o.workers, len(patients)/2)
	if _, err = s.eventsIn(ctx, o, client, patients[:warm], url, m); err != nil {
		return fmt.Errorf("events: %w", err)
	}
	if r.events, err = s.eventsIn(ctx, o, client, patients[warm:], url, m); err != nil {
		return fmt.Errorf("events: %w", err)
	}
	if !o.wants(findings) {
		return nil
	}
	all, err := s.findAll(ctx, client, patients)
	if err != nil {
		return err
	}
	chart := func(k known) []job {
		jobs := make([]job, charted)
		for n := range jobs {
			jobs[n] = func(ctx context.Context) error { return post(ctx, client, k.finding(n)) }
		}
		return jobs
	}
	if _, err = closedLoop(ctx, m, loadOf(all[:warm], o.workers, chart)); err != nil {
		return err
	}
	before, err := inserted(ctx, url)
	if err != nil {
		return err
	}
	if r.charts, err = closedLoop(ctx, m, loadOf(all[warm:], o.workers, chart)); err != nil {
		return err
	}
	after, err := inserted(ctx, url)
	r.rows[1] = float64(after-before) / float64(r.charts.done)
	return err
}

// inserted gives how many rows of the search index were ever inserted.
func inserted(ctx context.Context, url string) (n int64, err error) {
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		return 0, err
	}
	defer conn.Close(ctx) //nolint:errcheck // it only read
	time.Sleep(statisticsLag)
	err = conn.QueryRow(ctx, `SELECT n_tup_ins FROM pg_stat_user_tables WHERE relname = 'search_index'`).Scan(&n)
	return n, err
}

// statisticsLag is how late PostgreSQL's sessions report what they did: one that has nothing more
// to do reports the last of it after ten seconds (PGSTAT_IDLE_INTERVAL of PostgreSQL's
// src/backend/utils/activity/pgstat.c).
const statisticsLag = 11 * time.Second

// alone measures echo and the broker with nothing behind them.
func (s *site) alone(ctx context.Context, o options, r *result) (err error) {
	broker, err := child(ctx, "broker", s.folder+fmt.Sprintf("/alone-%d", len(s.databases)))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, broker.stop()) }()
	echo, err := child(ctx, "echo")
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, echo.stop()) }()
	client, err := bedside.Dial(echo.address, broker.address)
	if err != nil {
		return err
	}
	defer client.Close()
	_, err = client.JetStream().CreateStream(ctx, jetstream.StreamConfig{Name: "PROCEDURE_EVENTS", Subjects: []string{"ehr.procedure.completed"}})
	if err != nil {
		return err
	}
	patients := newPatients(0, o.patients*charted, time.Now())
	m := meter{service: echo.cmd.Process.Pid, broker: broker.cmd.Process.Pid}
	if r.echo, err = closedLoop(ctx, m, loadOf(patients, o.workers, func(p patient) []job {
		body := known{patient: p, subject: "Patient/1", procedure: "Procedure/1"}.finding(0)
		return []job{func(ctx context.Context) error { return post(ctx, client, body) }}
	})); err != nil {
		return err
	}
	r.publish, err = closedLoop(ctx, m, loadOf(patients, o.workers, func(p patient) []job {
		body := p.Event()
		return []job{func(ctx context.Context) error { return client.Send(ctx, body) }}
	}))
	return err
}

func post(ctx context.Context, client *bedside.Client, body []byte) error {
	a, err := client.Do(ctx, http.MethodPost, "/fhir/Observation", body, nil)
	if err == nil && a.Status != http.StatusCreated {
		err = fmt.Errorf("HTTP %d: %s", a.Status, a.Body)
	}
	return err
}

// findAll asks the service for the ids that it gave.
func (s *site) findAll(ctx context.Context, client *bedside.Client, patients []patient) ([]known, error) {
	all := make([]known, len(patients))
	for i, p := range patients {
		all[i].patient = p
		for query, into := range map[string]*string{
			"Patient?identifier=" + p.Patient(): &all[i].subject, "Procedure?identifier=" + p.Procedure(): &all[i].procedure,
		} {
			found, err := client.Search(ctx, query)
			if err == nil && len(found) != 1 {
				err = fmt.Errorf("%s: %d found", query, len(found))
			}
			if err != nil {
				return nil, err
			}
			if *into, err = reference(found[0]); err != nil {
				return nil, err
			}
		}
	}
	return all, nil
}
