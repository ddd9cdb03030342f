package group

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
	"fhirsvc/internal/store/storetest"
)

// slow is a store whose commits take a time by the bubble's clock, and that remembers which
// episodes came together.
type slow struct {
	store.Store
	takes  time.Duration
	refuse func(ids []string) error
	mu     sync.Mutex
	calls  [][]string
}

func (s *slow) Commit(ctx context.Context, changes []store.Changeset) ([]store.Result, error) {
	var ids []string
	for _, c := range changes {
		for _, e := range c.Episodes {
			ids = append(ids, e.ID)
		}
	}
	s.mu.Lock()
	s.calls = append(s.calls, ids)
	s.mu.Unlock()
	select {
	case <-time.After(s.takes):
	case <-ctx.Done():
		return nil, &outcome.Error{Kind: outcome.CodeNoStore, Op: "commit", Err: ctx.Err()}
	}
	if s.refuse != nil {
		if err := s.refuse(ids); err != nil {
			return nil, err
		}
	}
	results := make([]store.Result, len(changes))
	for i, id := range ids {
		results[i] = store.Result{Status: store.Committed, Answer: []byte(id)}
	}
	return results, nil
}

func changeOf(id string) []store.Changeset {
	return []store.Changeset{{Episodes: []store.EpisodeChange{{ID: id}}}}
}

// caller is one who commits, and what became of it.
type caller struct {
	took    time.Duration
	results []store.Result
	err     error
}

// come has callers commit, each an instant after the one before. end waits until all have
// been told, and gives what.
func come(ctx context.Context, s *Store, ids ...string) (end func() []caller) {
	callers := make([]caller, len(ids))
	var wg sync.WaitGroup
	for i, id := range ids {
		wg.Go(func() {
			begun := time.Now()
			callers[i].results, callers[i].err = s.Commit(ctx, changeOf(id))
			callers[i].took = time.Since(begun)
		})
		synctest.Wait() // it runs or waits before the next one comes
	}
	return func() []caller {
		wg.Wait()
		return callers
	}
}

func all(ctx context.Context, s *Store, ids ...string) []caller { return come(ctx, s, ids...)() }

func numbered(n int) []string {
	ids := make([]string, n)
	for i := range ids {
		ids[i] = fmt.Sprint(i)
	}
	return ids
}

func TestAloneWaitsForNobody(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		inner := &slow{takes: 2 * time.Millisecond}
		for _, c := range all(t.Context(), New(inner), "a", "b") {
			require.NoError(t, c.err)
			require.Equal(t, inner.takes, c.took)
		}
		require.Equal(t, [][]string{{"a"}, {"b"}}, inner.calls)
	})
}

func TestThoseWhoWaitGoTogether(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		inner := &slow{takes: 2 * time.Millisecond}
		for i, c := range all(t.Context(), New(inner), "a", "b", "c", "d", "e") {
			require.NoError(t, c.err)
			require.Equal(t, string("abcde"[i]), string(c.results[0].Answer), "each has the result of its own")
			require.Len(t, c.results, 1)
			require.LessOrEqual(t, c.took, 2*inner.takes)
		}
		require.Equal(t, [][]string{{"a"}, {"b"}, {"c", "d", "e"}}, inner.calls)
	})
}

func TestGroupIsBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		inner := &slow{takes: 2 * time.Millisecond}
		all(t.Context(), New(inner), numbered(2+largest+3)...)
		var sizes []int
		for _, ids := range inner.calls {
			sizes = append(sizes, len(ids))
		}
		require.ElementsMatch(t, []int{1, 1, largest, 3}, sizes)
	})
}

// The contract of Commit: at most one changeset of a call touches the same episode.
func TestOneEpisodeStandsOnceInAGroup(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		inner := &slow{takes: 2 * time.Millisecond}
		all(t.Context(), New(inner), "a", "b", "c", "c", "d", "c")
		require.Equal(t, [][]string{{"a"}, {"b"}}, inner.calls[:2])
		// "a" and "b" end at one instant, so that what goes after each begins in either order.
		require.ElementsMatch(t, [][]string{{"c", "d"}, {"c"}, {"c"}}, inner.calls[2:])
	})
}

// Commits that wait for a lock hold up the others for no longer than patience.
func TestNobodyWaitsForLong(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		inner := &slow{takes: time.Minute}
		callers := all(t.Context(), New(inner), "a", "b", "c")
		require.Equal(t, patience+time.Minute, callers[2].took)
		inner.calls = nil
		all(t.Context(), New(inner), numbered(40)...)
		require.Equal(t, []string{"2", "3"}, inner.calls[2][:2])
	})
}

func TestOneThatCannotBeStoredFailsAlone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		poison := errors.New("poison")
		inner := &slow{takes: 2 * time.Millisecond}
		inner.refuse = func(ids []string) error {
			for _, id := range ids {
				if id == "d" {
					return poison
				}
			}
			return nil
		}
		callers := all(t.Context(), New(inner), "a", "b", "c", "d", "e")
		for i, c := range callers {
			if i == 3 {
				require.ErrorIs(t, c.err, poison)
				continue
			}
			require.NoError(t, c.err)
			require.Equal(t, string("abcde"[i]), string(c.results[0].Answer))
		}
	})
}

func TestPanicIsTheErrorOfItsCaller(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		inner := &slow{takes: 2 * time.Millisecond}
		inner.refuse = func(ids []string) error {
			if ids[0] == "c" {
				panic("wrong")
			}
			return nil
		}
		callers := all(t.Context(), New(inner), "a", "b", "c", "d")
		require.ErrorContains(t, callers[2].err, "wrong")
		require.NoError(t, callers[3].err)
	})
}

// When nobody knows what became of a group, nothing is tried again: each asks its own inbox.
func TestUnknownOutcomeIsEachCallersOwn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		inner := &slow{takes: 2 * time.Millisecond}
		inner.refuse = func(ids []string) error {
			if ids[0] == "c" {
				return outcome.Fail(outcome.CodeNoStore, "commit", "connection lost")
			}
			return nil
		}
		callers := all(t.Context(), New(inner), "a", "b", "c", "d")
		for _, c := range callers[2:] {
			require.Equal(t, outcome.CodeNoStore, outcome.KindOf(c.err))
		}
		require.Len(t, inner.calls, 3)
	})
}

func TestCallerGoesWhileItWaits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		inner := &slow{takes: 2 * time.Millisecond}
		s := New(inner)
		before := come(t.Context(), s, "a", "b")
		ctx, cancel := context.WithTimeout(t.Context(), time.Millisecond)
		defer cancel()
		callers := all(ctx, s, "c")
		require.Equal(t, time.Millisecond, callers[0].took)
		require.Equal(t, outcome.CodeTransient, outcome.KindOf(callers[0].err))
		before()
		require.Equal(t, [][]string{{"a"}, {"b"}}, inner.calls, "what nobody waits for is not stored")
	})
}

// Who goes while a group is under way learns nothing, and the others all; when all have gone
// the group is given up.
func TestCallerGoesWhileUnderWay(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		inner := &slow{takes: 4 * time.Millisecond}
		s := New(inner)
		come(t.Context(), s, "a", "b")
		short, cancel := context.WithTimeout(t.Context(), 6*time.Millisecond)
		defer cancel()
		first, second := come(short, s, "c"), come(t.Context(), s, "d")
		gone, stays := first()[0], second()[0]
		require.Equal(t, outcome.CodeNoStore, outcome.KindOf(gone.err))
		require.Equal(t, 6*time.Millisecond, gone.took)
		require.NoError(t, stays.err)
		require.Equal(t, 8*time.Millisecond, stays.took)
		require.ElementsMatch(t, []string{"c", "d"}, inner.calls[2])

		inner.takes = time.Hour
		short, cancel = context.WithTimeout(t.Context(), 20*time.Millisecond)
		defer cancel()
		all(short, s, "e", "f", "g", "h")
		inner.Store = closed{}
		begun := time.Now()
		s.Close()
		require.Zero(t, time.Since(begun), "nothing is under way any more")
	})
}

type closed struct{ store.Store }

func (closed) Close() {}

// What is under way when the service stops is ended first.
func TestCloseWaits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		inner := &slow{Store: closed{}, takes: 2 * time.Millisecond}
		s := New(inner)
		end := come(t.Context(), s, "a", "b", "c", "d")
		time.Sleep(inner.takes + 1) // the group of c and d is under way
		begun := time.Now()
		s.Close()
		require.Equal(t, inner.takes-1, time.Since(begun))
		for _, c := range end() {
			require.NoError(t, c.err)
		}
	})
}

// The whole contract holds through groups, too.
func TestContract(t *testing.T) {
	if testing.Short() {
		t.Skip("the stores' own tests run it")
	}
	storetest.Run(t, func(*testing.T) store.Store { return New(storetest.NewMemory()) })
}
