package storetest

import (
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/store"
)

func commitTests() []contractTest {
	return []contractTest{
		{"commit/load gives what was committed", loadWhatWasCommitted},
		{"commit/inputs in order", inputsInOrder},
		{"commit/nothing to do", commitNothing},
		{"commit/two new episodes race", newEpisodeRace},
		{"commit/stale version fails alone", staleVersionFailsAlone},
		{"commit/leaves no trace of a conflict", conflictLeavesNoTrace},
		{"commit/several episodes whole or not at all", severalEpisodes},
		{"commit/episodes of a patient", episodesOfPatient},
		{"commit/caller's fault", callersFault},
		{"commit/known message id", knownMessageID},
		{"commit/equals a model", commitEqualsModel},
	}
}

func loadWhatWasCommitted(t *testing.T, st store.Store) {
	_, err := st.Load(t.Context(), "e1")
	requireKind(t, err, outcome.CodeNotFound)

	first := step("e1", 0)
	mustCommit(t, st, store.Changeset{Episodes: []store.EpisodeChange{first}})
	got, err := st.Load(t.Context(), "e1")
	require.NoError(t, err)
	want := store.Episode{
		ID: "e1", Unit: first.Unit, Subject: first.Subject, Version: 1, State: first.State, RulesVersion: first.RulesVersion,
		Protocol: first.Protocol, ProtocolDigest: first.ProtocolDigest, Due: first.Due,
	}
	require.Equal(t, want, got)

	second := step("e1", 1)
	second.Unit, second.Subject, second.RulesVersion = "ward-4", "patient-2", 8
	second.Protocol, second.ProtocolDigest, second.Due = "https://site.example/protocol|3", "sha256:cd", at(0).AddDate(0, 0, 1)
	mustCommit(t, st, store.Changeset{Episodes: []store.EpisodeChange{second}})
	got, err = st.Load(t.Context(), "e1")
	require.NoError(t, err)
	want = store.Episode{
		ID: "e1", Unit: "ward-4", Subject: "patient-2", Version: 2, State: second.State, RulesVersion: 8,
		Protocol: second.Protocol, ProtocolDigest: second.ProtocolDigest, Due: second.Due,
	}
	require.Equal(t, want, got)
}

func inputsInOrder(t *testing.T, st store.Store) {
	got, err := st.Inputs(t.Context(), "e1")
	require.NoError(t, err)
	require.Empty(t, got)

	var want []store.Input
	for n := range int64(12) {
		c := step("e1", n)
		c.Input.At = at(int(100 - n)) // order is by Seq, not by time
		mustCommit(t, st, store.Changeset{Episodes: []store.EpisodeChange{c, step("e2", n)}})
		want = append(want, c.Input)
	}
	got, err = st.Inputs(t.Context(), "e1")
	require.NoError(t, err)
	require.Equal(t, want, got)
}

func commitNothing(t *testing.T, st store.Store) {
	results, err := st.Commit(t.Context(), nil)
	require.NoError(t, err)
	require.Empty(t, results)
	mustCommit(t, st, store.Changeset{})
}

func newEpisodeRace(t *testing.T, st store.Store) {
	var wg sync.WaitGroup
	results := make([]store.Result, 2)
	errs := make([]error, 2)
	for i := range results {
		wg.Go(func() {
			got, err := st.Commit(t.Context(), []store.Changeset{{Episodes: []store.EpisodeChange{step("e1", 0)}}})
			if errs[i] = err; err == nil {
				results[i] = got[0]
			}
		})
	}
	wg.Wait()
	require.NoError(t, errs[0])
	require.NoError(t, errs[1])
	require.ElementsMatch(t, []store.Result{{Status: store.Committed}, {Status: store.Conflict}}, results)
}

func staleVersionFailsAlone(t *testing.T, st store.Store) {
	mustCommit(t, st, store.Changeset{Episodes: []store.EpisodeChange{step("e1", 0), step("e2", 0), step("e3", 0)}})
	mustCommit(t, st, store.Changeset{Episodes: []store.EpisodeChange{step("e2", 1)}})

	results, err := st.Commit(t.Context(), []store.Changeset{
		{Inbox: inbox("m1"), Episodes: []store.EpisodeChange{step("e1", 1)}, Resources: []store.Resource{version("Task", "t1", 1)}},
		{Inbox: inbox("m2"), Episodes: []store.EpisodeChange{step("e2", 1)}, Resources: []store.Resource{version("Task", "t2", 1)}},
		{Inbox: inbox("m3"), Episodes: []store.EpisodeChange{step("e3", 1)}, Resources: []store.Resource{version("Task", "t3", 1)}},
		{Inbox: inbox("m4"), Episodes: []store.EpisodeChange{step("e4", 3)}},
	})
	require.NoError(t, err)
	require.Equal(t, []store.Result{
		{Status: store.Committed}, {Status: store.Conflict}, {Status: store.Committed}, {Status: store.Conflict},
	}, results)
	for id, want := range map[string]int64{"e1": 2, "e2": 2, "e3": 2} {
		got, err := st.Load(t.Context(), id)
		require.NoError(t, err)
		require.Equal(t, want, got.Version, id)
	}
	requireAbsent(t, st, "Task", "t2")
	_, err = st.Read(t.Context(), "Task", "t3")
	require.NoError(t, err)
}

// conflictLeavesNoTrace has every kind of row in a changeset that fails by one of
// them, for each that can fail, beside one that goes through.
func conflictLeavesNoTrace(t *testing.T, st store.Store) {
	mustCommit(t, st, store.Changeset{
		Inbox: inbox("known"), Episodes: []store.EpisodeChange{step("old", 0)}, Outbox: []store.Outbox{message("old", "known", 1)},
		Resources:  []store.Resource{version("Task", "old", 1, token("code", "s", "old"))},
		Identities: []store.Identity{{Type: "Patient", System: "s", Value: "known", ID: "p1"}},
	})
	full := func() store.Changeset {
		return store.Changeset{
			Inbox: inbox("new"), Episodes: []store.EpisodeChange{step("new", 0), step("old", 1)},
			Resources: []store.Resource{
				version("Task", "new", 1, token("code", "s", "new")), version("Task", "old", 2, token("code", "s", "new")),
			},
			Identities: []store.Identity{{Type: "Patient", System: "s", Value: "new", ID: "p2"}},
			Outbox:     []store.Outbox{message("new", "new", 2)},
			Quarantine: &store.Quarantine{ID: "new", Kind: "k", Fault: "f", At: at(0)},
		}
	}
	breaks := map[string]func(c *store.Changeset){
		"inbox":        func(c *store.Changeset) { c.Inbox = inbox("known") },
		"episode":      func(c *store.Changeset) { c.Episodes = append(c.Episodes, step("none", 4)) },
		"new resource": func(c *store.Changeset) { c.Resources = append(c.Resources, version("Task", "old", 1)) },
		"resource":     func(c *store.Changeset) { c.Resources = append(c.Resources, version("Task", "none", 2)) },
		"message":      func(c *store.Changeset) { c.Outbox = append(c.Outbox, message("new", "known", 2)) },
		"identity": func(c *store.Changeset) {
			c.Identities = append(c.Identities, store.Identity{Type: "Patient", System: "s", Value: "known", ID: "p2"})
		},
	}
	n := int64(0)
	for name, harm := range breaks {
		failing := full()
		harm(&failing)
		other := store.Changeset{Episodes: []store.EpisodeChange{step("other", n)}}
		results, err := st.Commit(t.Context(), []store.Changeset{failing, other})
		require.NoError(t, err, name)
		require.NotEqual(t, store.Committed, results[0].Status, name)
		require.Equal(t, store.Committed, results[1].Status, name)
		n++
		requireNoTrace(t, st, name)
	}
	mustCommit(t, st, full()) // and nothing of it stands in its own way
}

func requireNoTrace(t *testing.T, st store.Store, name string) {
	t.Helper()
	ctx := t.Context()
	_, known, err := st.Answer(ctx, "urn:sender", "new")
	require.NoError(t, err, name)
	require.False(t, known, name)
	_, err = st.Load(ctx, "new")
	requireKind(t, err, outcome.CodeNotFound)
	old, err := st.Load(ctx, "old")
	require.NoError(t, err, name)
	require.Equal(t, int64(1), old.Version, name)
	for episode, want := range map[string]int{"new": 0, "old": 1} {
		inputs, err := st.Inputs(ctx, episode)
		require.NoError(t, err, name)
		require.Len(t, inputs, want, name)
	}
	requireAbsent(t, st, "Task", "new")
	_, err = st.History(ctx, "Task", "new")
	requireKind(t, err, outcome.CodeNotFound)
	history, err := st.History(ctx, "Task", "old")
	require.NoError(t, err, name)
	require.Len(t, history, 1, name)
	found := mustSearch(t, st, search.Query{Type: "Task", Count: 9, All: []search.Condition{
		{Param: "code", Kind: search.Token, Any: []search.Term{{Code: "new"}}},
	}})
	require.Empty(t, found.Matches, name)
	_, held, err := st.Identity(ctx, "Patient", "s", "new")
	require.NoError(t, err, name)
	require.False(t, held, name)
	unsent, err := st.Unsettled(ctx)
	require.NoError(t, err, name)
	require.Equal(t, 1, unsent, name)
	kept, err := st.Quarantined(ctx)
	require.NoError(t, err, name)
	require.Empty(t, kept, name)
}

func severalEpisodes(t *testing.T, st store.Store) {
	both := func(v1, v2 int64) store.Changeset {
		return store.Changeset{Episodes: []store.EpisodeChange{step("right", v1), step("left", v2)}}
	}
	mustCommit(t, st, both(0, 0))
	require.Equal(t, store.Conflict, only(t, st, both(1, 0)).Status)
	require.Equal(t, store.Conflict, only(t, st, both(0, 1)).Status)
	require.Equal(t, store.Conflict, only(t, st, both(1, 2)).Status)
	for _, id := range []string{"right", "left"} {
		got, err := st.Load(t.Context(), id)
		require.NoError(t, err)
		require.Equal(t, int64(1), got.Version)
	}
	mustCommit(t, st, both(1, 1))
}

func episodesOfPatient(t *testing.T, st store.Store) {
	got, err := st.EpisodesOf(t.Context(), "p1")
	require.NoError(t, err)
	require.Empty(t, got)
	for _, id := range []string{"z", "a", "m"} {
		c := step(id, 0)
		c.Subject = "p1"
		mustCommit(t, st, store.Changeset{Episodes: []store.EpisodeChange{c, step("other-"+id, 0)}})
	}
	got, err = st.EpisodesOf(t.Context(), "p1")
	require.NoError(t, err)
	require.Equal(t, []string{"z", "a", "m"}, got)

	moved := step("a", 1)
	moved.Subject = "p2"
	mustCommit(t, st, store.Changeset{Episodes: []store.EpisodeChange{moved}})
	got, err = st.EpisodesOf(t.Context(), "p1")
	require.NoError(t, err)
	require.Equal(t, []string{"z", "m"}, got)
}

func callersFault(t *testing.T, st store.Store) {
	wrong := step("e1", 0)
	wrong.Input.Seq = 2
	_, err := st.Commit(t.Context(), []store.Changeset{
		{Episodes: []store.EpisodeChange{step("e2", 0)}}, {Episodes: []store.EpisodeChange{wrong}},
	})
	requireKind(t, err, outcome.CodeException)
	_, err = st.Load(t.Context(), "e2")
	requireKind(t, err, outcome.CodeNotFound)
}

func knownMessageID(t *testing.T, st store.Store) {
	mustCommit(t, st, store.Changeset{Outbox: []store.Outbox{message("", "m1", 0)}})
	again := store.Changeset{Outbox: []store.Outbox{message("", "m2", 0), message("", "m1", 0)}}
	require.Equal(t, store.Conflict, only(t, st, again).Status)
}
