package group

import (
	"context"
	"fmt"
	"runtime/debug"
	"sync/atomic"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
)

// call is one caller's Commit while it waits or is under way with others.
type call struct {
	changes []store.Changeset
	alone   func() ([]store.Result, error) // commits these, while the caller waits
	leave   func()                         // tells the group that the caller has gone; once under way
	done    chan struct{}
	results []store.Result // once done
	err     error
}

func (c *call) end(results []store.Result, err error) {
	c.results, c.err = results, err
	close(c.done)
}

// key is what may stand once in a call of Commit: an episode, or an inbox entry.
type key struct{ source, id string }

func (c *call) keys() []key {
	var keys []key
	for _, x := range c.changes {
		for _, e := range x.Episodes {
			keys = append(keys, key{"episode", e.ID})
		}
		if x.Inbox != nil {
			keys = append(keys, key{"inbox " + x.Inbox.Source, x.Inbox.ID})
		}
	}
	return keys
}

// together splits off those who can go together, in their order: no two with the same key, and
// no more than largest, but at least the first.
func together(waiting []*call) (calls, rest []*call) {
	taken, n := map[key]bool{}, 0
	for _, c := range waiting {
		keys := c.keys()
		fits := n == 0 || n+len(c.changes) <= largest
		for _, k := range keys {
			fits = fits && !taken[k]
		}
		for _, k := range keys { // who stays keeps later ones of the same key behind
			taken[k] = true
		}
		if !fits {
			rest = append(rest, c)
			continue
		}
		n += len(c.changes)
		calls = append(calls, c)
	}
	return calls, rest
}

// run commits a group and tells each caller. When the group fails as a whole, and it is known
// that nothing is stored, each goes alone, so that one that can't be stored harms no other.
func run(ctx context.Context, inner store.Store, calls []*call) {
	var changes []store.Changeset
	for _, c := range calls {
		changes = append(changes, c.changes...)
	}
	results, err := commit(ctx, inner, changes)
	if err != nil && len(calls) > 1 && outcome.KindOf(err) != outcome.CodeNoStore {
		for _, c := range calls {
			c.end(c.alone())
		}
		return
	}
	for _, c := range calls {
		if err != nil {
			c.end(nil, err)
			continue
		}
		n := len(c.changes)
		c.end(results[:n:n], nil)
		results = results[n:]
	}
}

// whileAnybodyWaits gives a context that ends when all callers have gone.
func whileAnybodyWaits(calls []*call) (context.Context, context.CancelFunc) {
	ctx, cancel := context.WithCancel(context.Background())
	var left atomic.Int64
	left.Store(int64(len(calls)))
	for _, c := range calls {
		c.leave = func() {
			if left.Add(-1) == 0 {
				cancel()
			}
		}
	}
	return ctx, cancel
}

// commit turns a panic into an error, which is the callers' to judge.
func commit(ctx context.Context, inner store.Store, changes []store.Changeset) (results []store.Result, err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("commit: panic: %v\n%s", p, debug.Stack())
		}
	}()
	return inner.Commit(ctx, changes)
}
