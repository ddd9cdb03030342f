package rest

import (
	"fmt"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/search"
)

// The page for readers says what the tables say.
func TestThePageNamesTypesLimitsAndStatuses(t *testing.T) {
	t.Parallel()
	text, err := os.ReadFile("../../docs/api.md")
	require.NoError(t, err)
	page := string(text)
	types := strings.Join(strings.Fields(page[strings.Index(page, "\nTypes: "):strings.Index(page, "Another type is 404")]), " ")
	require.Equal(t, "Types: "+strings.Join(search.Types(), ", ")+".", types)
	rows := map[int]string{}
	for line := range strings.SplitSeq(page, "\n") {
		cell, _, _ := strings.Cut(strings.TrimPrefix(line, "| "), " |")
		for text := range strings.SplitSeq(cell, ", ") {
			if code, err := strconv.Atoi(text); err == nil {
				rows[code] = line
			}
		}
	}
	for code, kinds := range Statuses() {
		for _, kind := range kinds {
			require.Contains(t, rows[code], "`"+string(kind)+"`")
		}
	}
	for _, limit := range []string{
		fmt.Sprintf("at most %d entries", maximumEntries), fmt.Sprintf("default %d, at most %d", search.DefaultCount, search.MaximumCount),
		fmt.Sprintf("more than %d values", search.MaximumTerms), fmt.Sprintf("over %d MiB", bodyLimit>>20),
		fmt.Sprintf("ends after %.0f s", defaultTimeout.Seconds()),
	} {
		require.Contains(t, page, limit)
	}
}

// Every address that is served is in the page's table, those of types with {type} for the
// type where all have it.
func TestThePageNamesEveryAddress(t *testing.T) {
	t.Parallel()
	text, err := os.ReadFile("../../docs/api.md")
	require.NoError(t, err)
	page := string(text)
	table := page[strings.Index(page, "\n## Addresses"):strings.Index(page, "\nTypes: ")]
	for _, r := range Routes() {
		path := r.Address()
		generic := path
		if r.Type != "" {
			generic = strings.Replace(path, "/"+r.Type, "/{type}", 1)
		}
		short := strings.TrimPrefix(path, root)
		require.True(t, mentions(table, r.Methods[0], path, generic, short), "%s %s is not in the table", r.Methods[0], path)
	}
}

// mentions reports whether a line of a table begins with the method and names one of the
// paths, whole.
func mentions(table, method string, paths ...string) bool {
	for line := range strings.SplitSeq(table, "\n") {
		cell, _, _ := strings.Cut(strings.TrimPrefix(line, "| "), " | ")
		if !strings.Contains(cell, method+" ") {
			continue
		}
		for word := range strings.FieldsFuncSeq(cell, func(r rune) bool { return r == ' ' || r == '`' || r == ',' || r == '?' }) {
			if slices.Contains(paths, word) {
				return true
			}
		}
	}
	return false
}
