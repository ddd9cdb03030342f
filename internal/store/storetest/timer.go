package storetest

import (
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/store"
)

func timerTests() []contractTest {
	return []contractTest{
		{"timer/claim order and limit", claimOrder},
		{"timer/lease ends by itself", leaseEndsByItself},
		{"timer/lease ends with a commit", leaseEndsWithCommit},
		{"timer/no due time", noDueTime},
		{"timer/the database's clock", databaseClock},
		{"timer/no double claim", noDoubleClaim},
		{"timer/newer rules wait", newerRulesWait},
	}
}

// due commits a new episode that is due at an instant.
func due(t *testing.T, st store.Store, id string, when time.Time) {
	t.Helper()
	c := step(id, 0)
	c.Due = when
	mustCommit(t, st, store.Changeset{Episodes: []store.EpisodeChange{c}})
}

// dueBy is what a replica asks for that knows the rules of every step.
func dueBy(now time.Time, limit int, lease time.Duration) store.Claim {
	return store.Claim{Now: now, Rules: step("", 0).RulesVersion, Limit: limit, Lease: lease}
}

func mustClaim(t *testing.T, st store.Store, now time.Time, limit int, lease time.Duration) []string {
	t.Helper()
	claimed, err := st.ClaimDue(t.Context(), dueBy(now, limit, lease))
	require.NoError(t, err)
	got := make([]string, len(claimed))
	for i, d := range claimed {
		got[i] = d.Episode
	}
	return got
}

func claimOrder(t *testing.T, st store.Store) {
	_, ok, err := st.NextDue(t.Context())
	require.NoError(t, err)
	require.False(t, ok)
	require.Empty(t, mustClaim(t, st, at(0), 9, time.Hour))

	due(t, st, "third", at(30))
	due(t, st, "first", at(10))
	due(t, st, "later", at(61))
	due(t, st, "second", at(20))
	due(t, st, "fourth", at(60))
	next, ok, err := st.NextDue(t.Context())
	require.NoError(t, err)
	require.True(t, ok)
	require.Equal(t, at(10), next)

	claimed, err := st.ClaimDue(t.Context(), dueBy(at(60), 2, time.Hour))
	require.NoError(t, err)
	require.Equal(t, []store.Due{{Episode: "first", At: at(10)}, {Episode: "second", At: at(20)}}, claimed)
	require.Equal(t, []string{"third", "fourth"}, mustClaim(t, st, at(60), 9, time.Hour))
	require.Empty(t, mustClaim(t, st, at(60), 9, time.Hour))
	next, _, err = st.NextDue(t.Context())
	require.NoError(t, err)
	require.Equal(t, at(10), next, "leased or not")
}

func leaseEndsByItself(t *testing.T, st store.Store) {
	due(t, st, "e1", at(0))
	require.Equal(t, []string{"e1"}, mustClaim(t, st, at(1), 9, 20*time.Millisecond))
	require.Eventually(t, func() bool {
		claimed, err := st.ClaimDue(t.Context(), dueBy(at(1), 9, time.Hour))
		return err == nil && len(claimed) == 1
	}, 10*time.Second, 5*time.Millisecond)
	require.Empty(t, mustClaim(t, st, at(1), 9, time.Hour))
}

func leaseEndsWithCommit(t *testing.T, st store.Store) {
	due(t, st, "e1", at(0))
	require.Equal(t, []string{"e1"}, mustClaim(t, st, at(1), 9, time.Hour))

	stale := step("e1", 4)
	require.Equal(t, store.Conflict, only(t, st, store.Changeset{Episodes: []store.EpisodeChange{stale}}).Status)
	require.Empty(t, mustClaim(t, st, at(1), 9, time.Hour), "a conflict ends no lease")

	again := step("e1", 1)
	again.Due = at(0) // even when the due time stays
	mustCommit(t, st, store.Changeset{Episodes: []store.EpisodeChange{again}})
	require.Equal(t, []string{"e1"}, mustClaim(t, st, at(1), 9, time.Hour))
}

func noDueTime(t *testing.T, st store.Store) {
	due(t, st, "e1", at(0))
	never := step("e1", 1)
	never.Due = time.Time{}
	mustCommit(t, st, store.Changeset{Episodes: []store.EpisodeChange{never}})
	require.Empty(t, mustClaim(t, st, at(1), 9, time.Hour))
	_, ok, err := st.NextDue(t.Context())
	require.NoError(t, err)
	require.False(t, ok)
	got, err := st.Load(t.Context(), "e1")
	require.NoError(t, err)
	require.True(t, got.Due.IsZero())
}

func databaseClock(t *testing.T, st store.Store) {
	due(t, st, "past", time.Now().Add(-time.Hour))
	due(t, st, "future", time.Now().Add(time.Hour))
	require.Equal(t, []string{"past"}, mustClaim(t, st, time.Time{}, 9, time.Hour))
	now, err := st.Now(t.Context())
	require.NoError(t, err)
	require.Equal(t, time.UTC, now.Location())
	due(t, st, "now", now)
	require.Equal(t, []string{"now"}, mustClaim(t, st, time.Time{}, 9, time.Hour), "it is the clock that claims by")
}

// newerRulesWait has a replica of an older release leave alone what a newer one has computed: it
// could not read it, and its lease would only make the newer one late.
func newerRulesWait(t *testing.T, st store.Store) {
	newer := step("newer", 0)
	newer.Due, newer.RulesVersion = at(0), newer.RulesVersion+1
	mustCommit(t, st, store.Changeset{Episodes: []store.EpisodeChange{newer}})
	due(t, st, "known", at(1))
	require.Equal(t, []string{"known"}, mustClaim(t, st, at(2), 1, time.Hour))
	knows := dueBy(at(2), 9, time.Hour)
	knows.Rules = newer.RulesVersion
	claimed, err := st.ClaimDue(t.Context(), knows)
	require.NoError(t, err)
	require.Equal(t, []store.Due{{Episode: "newer", At: at(0)}}, claimed)
}

// noDoubleClaim has two claimers race for 200 due episodes.
func noDoubleClaim(t *testing.T, st store.Store) {
	const n = 200
	var changes []store.Changeset
	for i := range n {
		changes = append(changes, store.Changeset{Episodes: []store.EpisodeChange{step(fmt.Sprintf("e%03d", i), 0)}})
	}
	mustCommit(t, st, changes...)
	var mu sync.Mutex
	var wg sync.WaitGroup
	claims := map[string]int{}
	var failed error
	for range 2 {
		wg.Go(func() {
			for range n { // each claim that finds nothing is followed by fewer than n more
				claimed, err := st.ClaimDue(t.Context(), dueBy(at(60), 3, time.Hour))
				mu.Lock()
				if err != nil {
					failed = err
				}
				for _, d := range claimed {
					claims[d.Episode]++
				}
				done := len(claims) == n || err != nil
				mu.Unlock()
				if done {
					return
				}
			}
		})
	}
	wg.Wait()
	require.NoError(t, failed)
	require.Len(t, claims, n)
	for id, times := range claims {
		require.Equal(t, 1, times, id)
	}
}
