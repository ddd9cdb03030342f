package rest

import (
	"fmt"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
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
		var code int
		if n, _ := fmt.Sscanf(line, "| %d |", &code); n == 1 {
			rows[code] = line
		}
	}
	for _, kind := range []outcome.Code{
		outcome.CodeInvalid, outcome.CodeStructure, outcome.CodeRequired, outcome.CodeValue, outcome.CodeInvariant,
		outcome.CodeLogin, outcome.CodeUnknown, outcome.CodeExpired, outcome.CodeForbidden, outcome.CodeNotSupported,
		outcome.CodeDuplicate, outcome.CodeMultipleMatches, outcome.CodeNotFound, outcome.CodeDeleted, outcome.CodeTooLong,
		outcome.CodeCodeInvalid, outcome.CodeTooCostly, outcome.CodeBusinessRule, outcome.CodeConflict, outcome.CodeTransient,
		outcome.CodeLockError, outcome.CodeNoStore, outcome.CodeException, outcome.CodeTimeout, outcome.CodeThrottled,
	} {
		require.Contains(t, rows[status(kind)], "`"+string(kind)+"`")
	}
	for _, limit := range []string{
		fmt.Sprintf("at most %d entries", maximumEntries), fmt.Sprintf("default %d, at most %d", search.DefaultCount, search.MaximumCount),
		fmt.Sprintf("more than %d values", search.MaximumTerms), fmt.Sprintf("over %d MiB", bodyLimit>>20),
		fmt.Sprintf("ends after %.0f s", defaultTimeout.Seconds()),
	} {
		require.Contains(t, page, limit)
	}
}
