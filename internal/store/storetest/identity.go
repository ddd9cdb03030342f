package storetest

import (
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/store"
)

func identityTests() []contractTest {
	return []contractTest{
		{"identity/first claim holds", firstClaimHolds},
		{"identity/taken names the winner", takenNamesWinner},
		{"identity/stale beats taken", staleBeatsTaken},
		{"identity/loser of one call", loserOfOneCall},
	}
}

func claim(value, id string) store.Identity {
	return store.Identity{Type: "Patient", System: "urn:mrn", Value: value, ID: id}
}

func firstClaimHolds(t *testing.T, st store.Store) {
	_, ok, err := st.Identity(t.Context(), "Patient", "urn:mrn", "1")
	require.NoError(t, err)
	require.False(t, ok)
	mustCommit(t, st, store.Changeset{Identities: []store.Identity{claim("1", "p1"), claim("2", "p1")}})
	id, ok, err := st.Identity(t.Context(), "Patient", "urn:mrn", "2")
	require.NoError(t, err)
	require.True(t, ok)
	require.Equal(t, "p1", id)
	mustCommit(t, st, store.Changeset{Identities: []store.Identity{claim("1", "p1"), claim("3", "p1")}}) // one's own
	mustCommit(t, st, store.Changeset{Identities: []store.Identity{                                      // the same value elsewhere is another identity
		{Type: "Encounter", System: "urn:mrn", Value: "1", ID: "x"}, {Type: "Patient", System: "", Value: "1", ID: "y"},
	}})
}

func takenNamesWinner(t *testing.T, st store.Store) {
	mustCommit(t, st, store.Changeset{Identities: []store.Identity{claim("1", "p1"), claim("2", "p2")}})
	got := only(t, st, store.Changeset{
		Inbox: inbox("m1"), Resources: []store.Resource{version("Patient", "p3", 1)},
		Identities: []store.Identity{claim("3", "p3"), claim("1", "p3"), claim("2", "p3")},
	})
	require.Equal(t, store.Taken, got.Status)
	require.ElementsMatch(t, []store.Identity{claim("1", "p1"), claim("2", "p2")}, got.Taken)
	requireAbsent(t, st, "Patient", "p3")
	_, ok, err := st.Identity(t.Context(), "Patient", "urn:mrn", "3")
	require.NoError(t, err)
	require.False(t, ok)
}

func staleBeatsTaken(t *testing.T, st store.Store) {
	mustCommit(t, st, store.Changeset{Episodes: []store.EpisodeChange{step("e1", 0)}, Identities: []store.Identity{claim("1", "p1")}})
	got := only(t, st, store.Changeset{Episodes: []store.EpisodeChange{step("e1", 0)}, Identities: []store.Identity{claim("1", "p2")}})
	require.Equal(t, store.Result{Status: store.Conflict}, got)
}

// loserOfOneCall has three changesets of one call that claim one identity: the first
// fails for another reason, so the second holds it and the third must be told so.
func loserOfOneCall(t *testing.T, st store.Store) {
	mustCommit(t, st, store.Changeset{Identities: []store.Identity{claim("held", "p0")}})
	results, err := st.Commit(t.Context(), []store.Changeset{
		{Resources: []store.Resource{version("Patient", "p1", 1)}, Identities: []store.Identity{claim("1", "p1"), claim("held", "p1")}},
		{Resources: []store.Resource{version("Patient", "p2", 1)}, Identities: []store.Identity{claim("1", "p2")}},
		{Resources: []store.Resource{version("Patient", "p3", 1)}, Identities: []store.Identity{claim("1", "p3")}},
	})
	require.NoError(t, err)
	require.Equal(t, []store.Result{
		{Status: store.Taken, Taken: []store.Identity{claim("held", "p0")}},
		{Status: store.Committed},
		{Status: store.Taken, Taken: []store.Identity{claim("1", "p2")}},
	}, results)
	requireAbsent(t, st, "Patient", "p1")
	requireAbsent(t, st, "Patient", "p3")
}
