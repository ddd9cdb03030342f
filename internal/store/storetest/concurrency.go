package storetest

import (
	"context"
	"fmt"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
)

func concurrencyTests() []contractTest {
	return []contractTest{
		{"concurrency/versions without a gap, every input once", everyInputOnce},
		{"concurrency/one identity, one winner", oneWinner},
	}
}

const (
	writers  = 16
	episodes = 4
	inputs   = 12 // of each writer
)

// everyInputOnce has 16 writers send 12 inputs each, and each input twice, to 4
// episodes; a writer whose version is stale loads again.
func everyInputOnce(t *testing.T, st store.Store) {
	var wg sync.WaitGroup
	errs := make([]error, writers)
	for w := range writers {
		wg.Go(func() {
			for n := range inputs {
				key := fmt.Sprintf("w%02d-%02d", w, n)
				episode := fmt.Sprintf("e%d", (w+n)%episodes)
				first, err := sendInput(t.Context(), st, key, episode)
				if err == nil && first.Status != store.Committed {
					err = fmt.Errorf("%s: first time: %+v", key, first)
				}
				second, again := sendInput(t.Context(), st, key, episode)
				if err == nil && again == nil && second.Status != store.Duplicate {
					again = fmt.Errorf("%s: second time: %+v", key, second)
				}
				if err != nil || again != nil {
					errs[w] = fmt.Errorf("first: %w, second: %w", err, again)
					return
				}
			}
		})
	}
	wg.Wait()
	for _, err := range errs {
		require.NoError(t, err)
	}
	seen := map[string]int{}
	for e := range episodes {
		requireEpisodeWhole(t, st, fmt.Sprintf("e%d", e), seen)
	}
	require.Len(t, seen, writers*inputs)
	for key, times := range seen {
		require.Equal(t, 1, times, key)
	}
	unsent, err := st.Unsettled(t.Context())
	require.NoError(t, err)
	require.Equal(t, writers*inputs, unsent)
}

// requireEpisodeWhole checks that versions, inputs, resource versions and messages of
// an episode tell one story, and counts its input keys.
func requireEpisodeWhole(t *testing.T, st store.Store, id string, seen map[string]int) {
	t.Helper()
	episode, err := st.Load(t.Context(), id)
	require.NoError(t, err)
	kept, err := st.Inputs(t.Context(), id)
	require.NoError(t, err)
	require.Len(t, kept, int(episode.Version))
	for i, in := range kept {
		require.Equal(t, int64(i+1), in.Seq)
		seen[string(in.Body)]++
	}
	require.Equal(t, kept[len(kept)-1].Body, episode.State)
	history, err := st.History(t.Context(), "CarePlan", id)
	require.NoError(t, err)
	require.Len(t, history, len(kept))
	for i, r := range history {
		require.Equal(t, episode.Version-int64(i), r.Version)
		require.Equal(t, kept[r.Version-1].Body, r.Body)
	}
}

// sendInput is the imperative loop in small: load, step, commit, and again when stale.
func sendInput(ctx context.Context, st store.Store, key, episode string) (store.Result, error) {
	for {
		current, err := st.Load(ctx, episode)
		if err != nil && outcome.KindOf(err) != outcome.CodeNotFound {
			return store.Result{}, err
		}
		c := step(episode, current.Version)
		c.Input.Body, c.State = []byte(key), []byte(key)
		plan := version("CarePlan", episode, current.Version+1, token("status", "", "active"))
		plan.Body = []byte(key)
		results, err := st.Commit(ctx, []store.Changeset{{
			Inbox: inbox(key), Episodes: []store.EpisodeChange{c}, Resources: []store.Resource{plan},
			Outbox: []store.Outbox{message(episode, key, 3)},
		}})
		if err != nil || results[0].Status != store.Conflict {
			return first(results), err
		}
	}
}

func first(results []store.Result) store.Result {
	if len(results) == 0 {
		return store.Result{}
	}
	return results[0]
}

// oneWinner has writers register the same patients at once, several in a call and in
// different orders: each patient gets one id, and every loser is told it.
func oneWinner(t *testing.T, st store.Store) {
	const patients = 6
	var wg sync.WaitGroup
	told := make([]map[string]string, writers)
	errs := make([]error, writers)
	for w := range writers {
		told[w] = map[string]string{}
		wg.Go(func() {
			var changes []store.Changeset
			for n := range patients {
				p := fmt.Sprintf("%d", (w+n)%patients)
				id := fmt.Sprintf("p%s-by-%d", p, w)
				changes = append(changes, store.Changeset{
					Resources: []store.Resource{version("Patient", id, 1)}, Identities: []store.Identity{claim(p, id)},
				})
			}
			results, err := st.Commit(t.Context(), changes)
			errs[w] = err
			for i, r := range results {
				own := changes[i].Identities[0]
				told[w][own.Value] = own.ID
				if r.Status == store.Taken {
					told[w][own.Value] = r.Taken[0].ID
				}
			}
		})
	}
	wg.Wait()
	for w := range writers {
		require.NoError(t, errs[w])
		require.Equal(t, told[0], told[w])
	}
	require.Len(t, told[0], patients)
	for value, id := range told[0] {
		_, err := st.Read(t.Context(), "Patient", id)
		require.NoError(t, err)
		held, _, err := st.Identity(t.Context(), "Patient", "urn:mrn", value)
		require.NoError(t, err)
		require.Equal(t, id, held)
	}
}
