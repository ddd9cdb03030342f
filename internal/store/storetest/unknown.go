package storetest

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
)

func unknownTests() []contractTest {
	return []contractTest{
		{"unknown/a commit cut short counts once", cutShortCountsOnce},
		{"unknown/cancelled before it began", cancelledBefore},
	}
}

// cutShortCountsOnce cuts commits off after 0 to 3 ms, before, in and after the
// database's work. Whatever the caller was told, the retry under the same inbox key
// leaves the input stored exactly once.
func cutShortCountsOnce(t *testing.T, st store.Store) {
	const commits = 60
	cut := 0
	for n := range int64(commits) {
		c := store.Changeset{
			Inbox: inbox(fmt.Sprintf("m%d", n)), Episodes: []store.EpisodeChange{step("e1", n)},
			Outbox: []store.Outbox{message("e1", fmt.Sprintf("m%d", n), 1)},
		}
		ctx, cancel := context.WithTimeout(t.Context(), time.Duration(n%30)*100*time.Microsecond)
		results, err := st.Commit(ctx, []store.Changeset{c})
		cancel()
		want := []store.Status{store.Duplicate}
		if err != nil {
			cut++
			require.True(t, mayPass(err), "%v", err)
			want = []store.Status{store.Committed, store.Duplicate}
		} else {
			require.Equal(t, store.Committed, results[0].Status)
		}
		retried := only(t, st, c)
		require.True(t, slices.Contains(want, retried.Status), "%v, then %v", err, retried)
	}
	require.Positive(t, cut)
	kept, err := st.Inputs(t.Context(), "e1")
	require.NoError(t, err)
	require.Len(t, kept, commits)
	unsent, err := st.Unsettled(t.Context())
	require.NoError(t, err)
	require.Equal(t, commits, unsent)
}

func cancelledBefore(t *testing.T, st store.Store) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	c := store.Changeset{Inbox: inbox("m1"), Episodes: []store.EpisodeChange{step("e1", 0)}}
	_, err := st.Commit(ctx, []store.Changeset{c})
	require.Error(t, err)
	require.True(t, mayPass(err), "%v", err)
	require.Equal(t, store.Committed, only(t, st, c).Status)
}

// mayPass reports whether an error is one that a caller retries.
func mayPass(err error) bool {
	return slices.Contains([]outcome.Code{outcome.CodeNoStore, outcome.CodeTransient, outcome.CodeLockError}, outcome.KindOf(err))
}
