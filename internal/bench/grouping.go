package main

import (
	"context"
	"errors"
	"os"
	"runtime/pprof"
	"sync"

	"fhirsvc/internal/store"
	"fhirsvc/internal/store/group"
	"fhirsvc/internal/store/postgres"
)

// grouping lets the service in this process take findings in, as many at once as there are
// workers: each in a transaction of its own, and then in the groups that the program makes.
func (s *site) grouping(ctx context.Context, o options, patients []patient, r *result) (err error) {
	if r.single, err = s.chartInside(ctx, o, patients, singly, ""); err != nil {
		return err
	}
	r.grouped, err = s.chartInside(ctx, o, patients, grouped, o.profileOf(findings))
	return err
}

// singly and grouped are how a store commits.
func singly(st store.Store) store.Store  { return st }
func grouped(st store.Store) store.Store { return group.New(st) }

// inside gives the service in this process, on a database of its own. Its store is the
// caller's to close.
func (s *site) inside(ctx context.Context, commits func(store.Store) store.Store) (*inside, error) {
	url, err := s.database(ctx)
	if err != nil {
		return nil, err
	}
	bare, err := postgres.Open(ctx, url)
	if err != nil {
		return nil, err
	}
	st := commits(bare)
	in, err := newInside(ctx, st)
	if err != nil {
		st.Close()
		return nil, err
	}
	return in, nil
}

func (s *site) chartInside(ctx context.Context, o options, patients []patient, commits func(store.Store) store.Store, profile string) (f figures, err error) {
	in, err := s.inside(ctx, commits)
	if err != nil {
		return f, err
	}
	defer in.Store.Close()
	all := make([]known, len(patients))
	for i, p := range patients {
		if all[i], err = in.begin(ctx, p); err != nil {
			return f, err
		}
	}
	charts := func(k known) []job {
		jobs := make([]job, charted)
		for n := range jobs {
			jobs[n] = func(ctx context.Context) error { return in.chart(ctx, k.finding(n)) }
		}
		return jobs
	}
	m, warm := meter{postmaster: s.postmaster}, min(o.workers, len(all)/2)
	if _, err := closedLoop(ctx, m, loadOf(all[:warm], o.workers, charts)); err != nil {
		return f, err
	}
	stop, err := profiled(profile)
	if err != nil {
		return f, err
	}
	defer stop()
	return closedLoop(ctx, m, loadOf(all[warm:], o.workers, charts))
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
