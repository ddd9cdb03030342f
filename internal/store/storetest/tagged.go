package storetest

import (
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/store"
)

func taggedTests() []contractTest {
	return []contractTest{{"tagged/over the links of a person", taggedOverLinks}}
}

// taggedOverLinks has five records of one person, joined by links in either direction and in a
// circle, and of others a finding with another tag, one of another type, and one that lost the tag.
func taggedOverLinks(t *testing.T, st store.Store) {
	reference := func(param, resourceType, id string) search.Value {
		return search.Value{Param: param, Kind: search.Reference, System: resourceType, Code: id}
	}
	about := func(resourceType, id string, n int64, subject string, more ...search.Value) store.Resource {
		return version(resourceType, id, n, append(more, reference("subject", "Patient", subject))...)
	}
	waits := token("_tag", "urn:t", "waits")
	for _, r := range []store.Resource{
		version("Patient", "a", 1, reference("link", "Patient", "b")),
		version("Patient", "b", 1),
		version("Patient", "c", 1, reference("link", "Patient", "b"), reference("link", "Patient", "d")),
		version("Patient", "d", 1, reference("link", "Patient", "e")),
		version("Patient", "e", 1, reference("link", "Patient", "c")),
		about("Observation", "o1", 1, "e", waits, token("_tag", "urn:t", "other")),
		version("Patient", "f", 1, reference("link", "RelatedPerson", "e")),
		about("Observation", "o2", 1, "f", token("_tag", "urn:t", "other"), token("_tag", "urn:u", "waits"), token("code", "urn:t", "waits")),
		about("Task", "o3", 1, "f", waits),
		version("Observation", "o4", 1, waits, reference("performer", "Patient", "f"), reference("subject", "Group", "f")),
		about("Observation", "o5", 1, "f", waits),
		about("Observation", "o5", 2, "f"),
		about("MedicationAdministration", "m1", 1, "g", waits),
	} {
		mustCommit(t, st, store.Changeset{Resources: []store.Resource{r}})
	}
	tag := store.Tag{Types: []string{"Observation", "MedicationAdministration"}, System: "urn:t", Code: "waits"}
	for patient, want := range map[string]bool{"a": true, "b": true, "c": true, "d": true, "e": true, "f": false, "g": true, "none": false} {
		got, err := st.Tagged(t.Context(), patient, tag)
		require.NoError(t, err)
		require.Equal(t, want, got, patient)
	}
	tag.Types = []string{"Task"}
	got, err := st.Tagged(t.Context(), "f", tag)
	require.NoError(t, err)
	require.True(t, got)
}
