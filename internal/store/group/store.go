package group

import (
	"context"
	"slices"
	"sync"
	"time"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
)

const (
	// atOnce is how many commits run at a time before others gather. Two keep the database
	// busy while the answer of one is on its way.
	atOnce = 2
	// patience is the longest that a call gathers: then it goes beside those that run, which
	// may wait for a lock that is nothing to it.
	patience = 10 * time.Millisecond
	// most is how many run at a time in the end.
	most = 8
	// largest is how many changesets go together.
	largest = 64
)

// Store is a store whose commits are grouped. All else is passed on.
type Store struct {
	store.Store

	mu      sync.Mutex
	running int
	ended   *sync.Cond // one that ran has ended
	waiting []*call
	timer   *time.Timer // runs while somebody waits
}

// New returns a store that groups the commits of inner.
func New(inner store.Store) *Store {
	s := &Store{Store: inner}
	s.ended = sync.NewCond(&s.mu)
	return s
}

// Commit is inner's Commit, with its results and errors, for these changesets. When ctx ends
// while they wait, nothing of them is stored (transient); when it ends while they are under
// way with others', the outcome is not known (no-store).
func (s *Store) Commit(ctx context.Context, changes []store.Changeset) ([]store.Result, error) {
	s.mu.Lock()
	if s.running < atOnce && len(s.waiting) == 0 {
		s.running++
		s.mu.Unlock()
		defer s.next()
		return s.Store.Commit(ctx, changes)
	}
	c := &call{changes: changes, done: make(chan struct{})}
	c.alone = func() ([]store.Result, error) { return commit(ctx, s.Store, changes) }
	s.waiting = append(s.waiting, c)
	s.watch()
	s.mu.Unlock()
	select {
	case <-c.done:
		return c.results, c.err
	case <-ctx.Done():
		return s.leave(ctx, c)
	}
}

// Close waits for the commits under way, and closes inner.
func (s *Store) Close() {
	s.mu.Lock()
	for s.running > 0 {
		s.ended.Wait()
	}
	s.mu.Unlock()
	s.Store.Close()
}

// leave ends a call whose caller has gone.
func (s *Store) leave(ctx context.Context, c *call) ([]store.Result, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if i := slices.Index(s.waiting, c); i >= 0 {
		s.waiting = slices.Delete(s.waiting, i, i+1)
		return nil, &outcome.Error{Kind: outcome.CodeTransient, Op: "commit", Details: "there was no time left; nothing was stored", Err: ctx.Err()}
	}
	select {
	case <-c.done: // it ended at the same moment
		return c.results, c.err
	default:
	}
	c.leave()
	return nil, &outcome.Error{Kind: outcome.CodeNoStore, Op: "commit", Details: "there was no time left to learn the outcome", Err: ctx.Err()}
}

// next hands the place of a commit that has ended to those who wait.
func (s *Store) next() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.running--
	if s.running < atOnce {
		s.begin()
	}
	s.ended.Broadcast()
}

// begin runs the next group, if anybody waits. The lock is held.
func (s *Store) begin() {
	var calls []*call
	if calls, s.waiting = together(s.waiting); len(calls) == 0 {
		return
	}
	s.running++
	ctx, cancel := whileAnybodyWaits(calls)
	go func() {
		defer s.next()
		defer cancel()
		run(ctx, s.Store, calls)
	}()
}

// watch makes sure that nobody waits for longer than patience while there is room. The lock is
// held.
func (s *Store) watch() {
	if s.timer != nil {
		return
	}
	s.timer = time.AfterFunc(patience, func() {
		s.mu.Lock()
		defer s.mu.Unlock()
		s.timer = nil
		if s.running < most {
			s.begin()
		}
		if len(s.waiting) > 0 {
			s.watch()
		}
	})
}
