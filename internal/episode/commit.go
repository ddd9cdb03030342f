package episode

import (
	"context"
	"errors"
	"math/rand/v2"
	"time"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
	"fhirsvc/internal/tracing"
)

const (
	maxTries   = 32
	firstPause = 2 * time.Millisecond
	longPause  = 64 * time.Millisecond
	askTimeout = 5 * time.Second
)

// errRaced is the error of a build that saw what it read change under its hands.
var errRaced = errors.New("somebody else was faster")

// build makes a draft from what is stored now; nil when there is nothing to change.
type build func(ctx context.Context) (*draft, error)

// end is how a commit ended: with a draft that is stored now, or with the answer of an
// input that was stored before.
type end struct {
	draft  *draft
	repeat bool
	answer []byte
}

// commit builds and stores a changeset. After a conflict it builds anew; when the
// outcome is not known it asks the inbox. Its errors are those of build, duplicate for
// other content under a known key, lock-error when conflicts don't end, and the store's.
func (s *Service) commit(ctx context.Context, op string, b build) (end, error) {
	for try := range maxTries {
		if try > 0 {
			if err := pause(ctx, try); err != nil {
				return end{}, &outcome.Error{Kind: outcome.CodeTimeout, Op: op, Details: "there was no time left", Err: err}
			}
		}
		d, err := s.prepare(ctx, b)
		if errors.Is(err, errRaced) {
			s.Watch.Conflict()
			continue
		}
		if err != nil || d == nil {
			return end{draft: d}, err
		}
		result, err := s.try(ctx, d)
		if err != nil {
			return end{}, err
		}
		switch result.Status {
		case store.Committed:
			s.committed(d)
			return end{draft: d}, nil
		case store.Duplicate:
			return end{repeat: true, answer: result.Answer}, nil
		case store.Differs:
			return end{}, outcome.Fail(outcome.CodeDuplicate, op, "another content was accepted under this identity before")
		case store.Conflict, store.Taken:
			s.Watch.Conflict()
		}
	}
	return end{}, outcome.Fail(outcome.CodeLockError, op, "others kept changing the same episode; nothing was stored, try again")
}

// prepare builds a draft, which takes no time but that of reading and computing.
func (s *Service) prepare(ctx context.Context, b build) (*draft, error) {
	ctx, done := tracing.Begin(ctx, "prepare")
	d, err := b(ctx)
	done(err)
	return d, err
}

// try commits once. When the store does not know the outcome, the inbox does.
func (s *Service) try(ctx context.Context, d *draft) (_ store.Result, err error) {
	ctx, done := tracing.Begin(ctx, "commit")
	defer func() { done(err) }()
	carryTrace(d.changes.Outbox, tracing.Carry(ctx))
	results, err := s.Store.Commit(ctx, []store.Changeset{d.changes})
	if err == nil {
		return results[0], nil
	}
	in := d.changes.Inbox
	if in == nil {
		return store.Result{}, err
	}
	ask, cancel := context.WithTimeout(context.WithoutCancel(ctx), askTimeout)
	defer cancel()
	known, ok, askErr := s.Store.Answer(ask, in.Source, in.ID)
	switch {
	case askErr != nil || !ok:
		return store.Result{}, err
	case known.Digest != in.Digest:
		return store.Result{Status: store.Differs}, nil
	}
	s.wake(d)
	return store.Result{Status: store.Duplicate, Answer: known.Answer}, nil
}

// wake tells the timers of this process what is due before they look again by themselves, and
// no more: each look asks the database twice.
func (s *Service) wake(d *draft) {
	soon := s.Now().Add(longestPoll)
	for _, e := range d.changes.Episodes {
		if !e.Due.IsZero() && e.Due.Before(soon) {
			s.woken.set()
			return
		}
	}
}

// pause waits longer with every try, and never as long as somebody else.
func pause(ctx context.Context, try int) error {
	d := min(firstPause<<try, longPause)
	t := time.NewTimer(d/2 + rand.N(d))
	defer t.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-t.C:
		return nil
	}
}

// signal wakes one waiter; a signal that nobody waits for yet is kept.
type signal struct{ c chan struct{} }

func newSignal() *signal { return &signal{c: make(chan struct{}, 1)} }

func (g *signal) set() {
	select {
	case g.c <- struct{}{}:
	default:
	}
}
