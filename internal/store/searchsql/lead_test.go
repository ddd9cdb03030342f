package searchsql_test

import (
	"net/url"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/store/searchsql"
)

// TestOneConditionLeads: the others are tried on the values of what it leaves, so that none of
// them may be looked up in an index of its own.
func TestOneConditionLeads(t *testing.T) {
	const byItself, tried = "FROM search_index v\n", "FROM v WHERE"
	ward := []string{"unit-001"}
	for _, tt := range []struct {
		name, query     string
		units           []string
		byItself, tried int
	}{
		{"a ward's status", "Task?status=ready&due-date=le2026-06-01", ward, 1, 1},
		{"a patient before a ward's status", "Task?status=ready&patient=Patient/1&due-date=le2026-06-01", ward, 1, 2},
		{"an identifier before a patient", "Procedure?patient=Patient/1&identifier=https://hospital.example/procedure|1", nil, 1, 1},
		{"an id before all", "Task?_id=1&status=ready&patient=Patient/1", ward, 0, 2},
		{"what it is not leads nowhere", "Task?patient:missing=false&status:not=ready", ward, 2, 0},
		{"a status of many wards", "Task?status=ready&due-date=le2026-06-01", nil, 2, 0},
		{"an identifier of any system that is none", "Procedure?identifier=https://hospital.example/procedure|&status=completed", nil, 2, 0},
	} {
		t.Run(tt.name, func(t *testing.T) {
			kind, params, _ := strings.Cut(tt.query, "?")
			values, err := url.ParseQuery(params)
			require.NoError(t, err)
			q, _, issues := search.Parse(kind, values, search.Options{})
			require.False(t, outcome.HasErrors(issues), "%v", issues)
			q.Units = tt.units
			text, _ := searchsql.Build(q, dialect{})
			require.Equal(t, tt.byItself, strings.Count(text, byItself), text)
			require.Equal(t, tt.tried, strings.Count(text, tried), text)
		})
	}
}
