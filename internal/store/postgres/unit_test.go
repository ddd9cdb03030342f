package postgres_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/store"
	"fhirsvc/internal/store/postgres"
)

// Index values from before they had a unit are found by the unit of their resource.
func TestValuesWithoutUnit(t *testing.T) {
	url := newSchema(t)
	require.NoError(t, postgres.Migrate(t.Context(), url))
	st := mustOpenURL(t, url)
	task := store.Resource{Type: "Task", ID: "a", Version: 1, Unit: "ward-3", Body: []byte("{}"), Index: []search.Value{
		{Param: "status", Kind: search.Token, Code: "ready"},
	}}
	_, err := st.Commit(t.Context(), []store.Changeset{{Resources: []store.Resource{task}}})
	require.NoError(t, err)
	ready := []search.Condition{{Param: "status", Kind: search.Token, Any: []search.Term{{Code: "ready"}}}}
	found := func(unit string) int {
		page, err := st.Search(t.Context(), search.Query{Type: "Task", Count: 9, Units: []string{unit}, All: ready})
		require.NoError(t, err)
		return page.Total
	}
	require.Equal(t, 1, found("ward-3"))
	require.Zero(t, found("ward-4"))
	exec(t, url, `UPDATE search_index SET unit = ''`)
	require.Equal(t, 1, found("ward-3"))
	require.Zero(t, found("ward-4"))
}
