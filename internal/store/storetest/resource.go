package storetest

import (
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/store"
)

func resourceTests() []contractTest {
	return []contractTest{
		{"resource/read, vread and history", readVersions},
		{"resource/not found", notFoundKinds},
		{"resource/versions without a gap", versionsWithoutGap},
		{"resource/two versions in one changeset", twoVersionsAtOnce},
		{"resource/one of one call wins", oneOfOneCall},
		{"resource/bytes as they are", bytesAsTheyAre},
	}
}

func readVersions(t *testing.T, st store.Store) {
	first, second := version("Task", "t1", 1), version("Task", "t1", 2)
	second.Unit, second.Episode = "ward-4", ""
	other := version("Observation", "t1", 1)
	mustCommit(t, st, store.Changeset{Resources: []store.Resource{first, other}})
	mustCommit(t, st, store.Changeset{Resources: []store.Resource{second}})

	got, err := st.Read(t.Context(), "Task", "t1")
	require.NoError(t, err)
	require.Equal(t, second, got)
	got, err = st.ReadVersion(t.Context(), "Task", "t1", 1)
	require.NoError(t, err)
	require.Equal(t, first, got)
	history, err := st.History(t.Context(), "Task", "t1")
	require.NoError(t, err)
	require.Equal(t, []store.Resource{second, first}, history)
	got, err = st.Read(t.Context(), "Observation", "t1")
	require.NoError(t, err)
	require.Equal(t, other, got)
}

func notFoundKinds(t *testing.T, st store.Store) {
	mustCommit(t, st, store.Changeset{Resources: []store.Resource{version("Task", "t1", 1)}})
	_, err := st.Read(t.Context(), "Task", "t2")
	requireKind(t, err, outcome.CodeNotFound)
	_, err = st.Read(t.Context(), "Observation", "t1")
	requireKind(t, err, outcome.CodeNotFound)
	_, err = st.ReadVersion(t.Context(), "Task", "t1", 2)
	requireKind(t, err, outcome.CodeNotFound)
	_, err = st.History(t.Context(), "Task", "t2")
	requireKind(t, err, outcome.CodeNotFound)
	_, err = st.Protocol(t.Context(), "https://site.example/none|1")
	requireKind(t, err, outcome.CodeNotFound)
}

func versionsWithoutGap(t *testing.T, st store.Store) {
	commit := func(n int64) store.Status {
		return only(t, st, store.Changeset{Resources: []store.Resource{version("Task", "t1", n)}}).Status
	}
	require.Equal(t, store.Conflict, commit(2), "before the first")
	require.Equal(t, store.Committed, commit(1))
	require.Equal(t, store.Conflict, commit(1), "again")
	require.Equal(t, store.Conflict, commit(3), "a gap")
	require.Equal(t, store.Committed, commit(2))
	require.Equal(t, store.Conflict, commit(2), "again")
	history, err := st.History(t.Context(), "Task", "t1")
	require.NoError(t, err)
	require.Len(t, history, 2)
}

func twoVersionsAtOnce(t *testing.T, st store.Store) {
	one := version("Task", "t1", 1, token("code", "", "first"))
	two := version("Task", "t1", 2, token("code", "", "second"))
	mustCommit(t, st, store.Changeset{Resources: []store.Resource{one, two}})
	mustCommit(t, st, store.Changeset{Resources: []store.Resource{version("Task", "t1", 3), version("Task", "t1", 4, token("code", "", "fourth"))}})
	gap := store.Changeset{Resources: []store.Resource{version("Task", "t1", 5), version("Task", "t1", 7)}}
	require.Equal(t, store.Conflict, only(t, st, gap).Status)
	gap = store.Changeset{Resources: []store.Resource{version("Task", "new", 1), version("Task", "new", 3)}}
	require.Equal(t, store.Conflict, only(t, st, gap).Status, "nothing of it is there to be looked at")
	requireAbsent(t, st, "Task", "new")

	history, err := st.History(t.Context(), "Task", "t1")
	require.NoError(t, err)
	require.Len(t, history, 4)
	require.Equal(t, stored(two), history[2])
	for code, want := range map[string]int{"first": 0, "second": 0, "fourth": 1} {
		page := mustSearch(t, st, search.Query{Type: "Task", Count: 9, All: []search.Condition{
			{Param: "code", Kind: search.Token, Any: []search.Term{{Code: code}}},
		}})
		require.Equal(t, want, page.Total, code)
	}
}

func oneOfOneCall(t *testing.T, st store.Store) {
	results, err := st.Commit(t.Context(), []store.Changeset{
		{Resources: []store.Resource{version("Patient", "p1", 1)}},
		{Resources: []store.Resource{version("Patient", "p1", 1)}},
		{Resources: []store.Resource{version("Patient", "p1", 2)}},
	})
	require.NoError(t, err)
	require.Equal(t, []store.Result{{Status: store.Committed}, {Status: store.Conflict}, {Status: store.Committed}}, results)
}

func bytesAsTheyAre(t *testing.T, st store.Store) {
	r := version("Binary", "b1", 1)
	r.Body = make([]byte, 300_000) // more than a page of any database, and every byte value
	for i := range r.Body {
		r.Body[i] = byte(i * 7)
	}
	c := step("e1", 0)
	c.State, c.Input.Body = r.Body, []byte("{\"value\": 1.30,\r\n  \"a\":1,\"a\":2}")
	mustCommit(t, st, store.Changeset{Resources: []store.Resource{r}, Episodes: []store.EpisodeChange{c}})
	got, err := st.Read(t.Context(), "Binary", "b1")
	require.NoError(t, err)
	require.Equal(t, r.Body, got.Body)
	episode, err := st.Load(t.Context(), "e1")
	require.NoError(t, err)
	require.Equal(t, r.Body, episode.State)
	inputs, err := st.Inputs(t.Context(), "e1")
	require.NoError(t, err)
	require.Equal(t, c.Input, inputs[0])
}
