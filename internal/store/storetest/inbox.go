package storetest

import (
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/store"
)

func inboxTests() []contractTest {
	return []contractTest{
		{"inbox/answer of what was accepted", answerOfAccepted},
		{"inbox/repeat gives the stored answer", repeatGivesStoredAnswer},
		{"inbox/other content differs", otherContentDiffers},
		{"inbox/known beats stale", knownBeatsStale},
	}
}

func answerOfAccepted(t *testing.T, st store.Store) {
	_, ok, err := st.Answer(t.Context(), "urn:sender", "m1")
	require.NoError(t, err)
	require.False(t, ok)
	mustCommit(t, st, store.Changeset{Inbox: inbox("m1")})
	got, ok, err := st.Answer(t.Context(), "urn:sender", "m1")
	require.NoError(t, err)
	require.True(t, ok)
	require.Equal(t, *inbox("m1"), got)
	_, ok, err = st.Answer(t.Context(), "urn:other", "m1")
	require.NoError(t, err)
	require.False(t, ok)
}

func repeatGivesStoredAnswer(t *testing.T, st store.Store) {
	mustCommit(t, st, store.Changeset{Inbox: inbox("m1"), Episodes: []store.EpisodeChange{step("e1", 0)}})
	repeat := inbox("m1")
	repeat.Answer, repeat.At = []byte("another answer"), at(9)
	results, err := st.Commit(t.Context(), []store.Changeset{
		{Inbox: inbox("m0"), Episodes: []store.EpisodeChange{step("e2", 0)}},
		{Inbox: repeat, Episodes: []store.EpisodeChange{step("e1", 1)}},
	})
	require.NoError(t, err)
	require.Equal(t, []store.Result{{Status: store.Committed}, {Status: store.Duplicate, Answer: inbox("m1").Answer}}, results)
	got, err := st.Load(t.Context(), "e1")
	require.NoError(t, err)
	require.Equal(t, int64(1), got.Version)

	same := store.Changeset{Inbox: &store.Inbox{Source: "urn:other", ID: "m1", Digest: "x", At: at(0)}}
	require.Equal(t, store.Committed, only(t, st, same).Status, "another sender's ids are its own")
}

func otherContentDiffers(t *testing.T, st store.Store) {
	mustCommit(t, st, store.Changeset{Inbox: inbox("m1")})
	other := inbox("m1")
	other.Digest = "digest of something else"
	got := only(t, st, store.Changeset{Inbox: other, Episodes: []store.EpisodeChange{step("e1", 0)}})
	require.Equal(t, store.Result{Status: store.Differs}, got)
	entry, _, err := st.Answer(t.Context(), "urn:sender", "m1")
	require.NoError(t, err)
	require.Equal(t, *inbox("m1"), entry)
}

// knownBeatsStale is what a retry after a lost answer meets: its inbox key is there and
// its version is old, because both are its own work.
func knownBeatsStale(t *testing.T, st store.Store) {
	c := store.Changeset{
		Inbox: inbox("m1"), Episodes: []store.EpisodeChange{step("e1", 0)}, Resources: []store.Resource{version("Task", "t1", 1)},
		Identities: []store.Identity{{Type: "Task", System: "s", Value: "v", ID: "t1"}},
		Outbox:     []store.Outbox{message("e1", "x1", 5)},
	}
	mustCommit(t, st, c)
	require.Equal(t, store.Result{Status: store.Duplicate, Answer: c.Inbox.Answer}, only(t, st, c))
}
