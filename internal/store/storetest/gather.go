package storetest

import (
	"cmp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/store"
)

func gatherTests() []contractTest {
	return []contractTest{
		{"gather/equals reading singly", gatherEqualsSingly},
		{"gather/nothing", gatherNothing},
	}
}

func gatherNothing(t *testing.T, st store.Store) {
	got, err := st.Gather(t.Context(), store.Wanted{})
	require.NoError(t, err)
	require.Equal(t, store.Gathered{}, sortedGathered(got))
	got, err = st.Gather(t.Context(), store.Wanted{
		Input:      store.InputKey{Source: "urn:sender", ID: "none"},
		Identities: []store.Identity{claim("9", "")}, Resources: []store.Name{{Type: "Task", ID: "none"}}, Episodes: []string{"none"}, Subjects: []string{"none"},
	})
	require.NoError(t, err)
	require.Equal(t, store.Gathered{}, sortedGathered(got))
}

// gatherEqualsSingly has two records of one person, each with an episode, a third that links to
// the first by a link, and others that must not be given.
func gatherEqualsSingly(t *testing.T, st store.Store) {
	patient := func(id string, index ...search.Value) store.Changeset {
		r := version("Patient", id, 1, index...)
		r.Body = []byte(strings.Repeat(`{"resourceType":"Patient"}`, 20))
		return store.Changeset{Resources: []store.Resource{r}, Identities: []store.Identity{claim("mrn-"+id, id)}}
	}
	linked := func(to string) search.Value {
		return search.Value{Param: "link", Kind: search.Reference, System: "Patient", Code: to}
	}
	for _, c := range []store.Changeset{patient("p1"), patient("p2", linked("p1")), patient("p3", linked("p2")), patient("p4")} {
		mustCommit(t, st, c)
	}
	for i, subject := range []string{"p1", "p4", "p1", "p2", "p1", "p1"} {
		e := step("e"+string(rune('6'-i)), 0)
		e.Subject = subject
		task := version("Task", "t-"+e.ID, 1)
		task.Episode = e.ID
		mustCommit(t, st, store.Changeset{Episodes: []store.EpisodeChange{e}, Resources: []store.Resource{task}})
	}
	again := version("Task", "t-e3", 2)
	again.Episode = "e3"
	mustCommit(t, st, store.Changeset{Resources: []store.Resource{again}})
	for name, w := range map[string]store.Wanted{
		"subject":           {Subjects: []string{"p1"}},
		"subject, twice":    {Subjects: []string{"p2", "p1", "p2"}},
		"identity":          {Identities: []store.Identity{claim("mrn-p1", "")}},
		"identity and none": {Identities: []store.Identity{claim("mrn-p2", ""), claim("none", "")}},
		"resource":          {Resources: []store.Name{{Type: "Task", ID: "t-e3"}}},
		"patient":           {Resources: []store.Name{{Type: "Patient", ID: "p1"}}},
		"episode":           {Episodes: []string{"e1", "none"}},
		"all": {
			Identities: []store.Identity{claim("mrn-p4", "")}, Resources: []store.Name{{Type: "Task", ID: "t-e4"}},
			Episodes: []string{"e4", "e1"}, Subjects: []string{"p2"},
		},
	} {
		got, err := st.Gather(t.Context(), w)
		require.NoError(t, err, name)
		want, err := store.GatherSingly(t.Context(), st, w)
		require.NoError(t, err, name)
		require.NotEqual(t, store.Gathered{}, sortedGathered(want), name)
		require.Equal(t, sortedGathered(want), sortedGathered(got), name)
	}
	mustCommit(t, st, store.Changeset{Inbox: inbox("m1")})
	got, err := st.Gather(t.Context(), store.Wanted{Input: store.InputKey{Source: "urn:sender", ID: "m1"}})
	require.NoError(t, err)
	require.Equal(t, inbox("m1"), got.Answered)
	got, err = st.Gather(t.Context(), store.Wanted{Subjects: []string{"p1"}})
	require.NoError(t, err)
	var ids []string
	for _, e := range got.Episodes {
		ids = append(ids, e.ID)
	}
	require.Equal(t, []string{"e6", "e4", "e2", "e1"}, ids, "oldest first")
	require.Equal(t, []store.Link{{From: "p2", To: "p1"}}, got.Links)
}

// sortedGathered makes two answers comparable that differ in order alone; that of the episodes
// of one patient is looked at for itself.
func sortedGathered(g store.Gathered) store.Gathered {
	slices.SortFunc(g.Holders, func(a, b store.Identity) int { return strings.Compare(a.Value, b.Value) })
	slices.SortFunc(g.Resources, func(a, b store.Resource) int {
		return cmp.Or(strings.Compare(a.Type, b.Type), strings.Compare(a.ID, b.ID))
	})
	slices.SortFunc(g.Links, func(a, b store.Link) int { return cmp.Or(strings.Compare(a.From, b.From), strings.Compare(a.To, b.To)) })
	slices.SortFunc(g.Episodes, func(a, b store.Episode) int { return strings.Compare(a.ID, b.ID) })
	return store.Gathered{
		Holders: none(g.Holders), Resources: none(g.Resources), Links: none(g.Links), Episodes: none(g.Episodes), Purged: none(g.Purged),
	}
}

// none is nil for an empty list.
func none[T any](list []T) []T {
	if len(list) == 0 {
		return nil
	}
	return list
}
