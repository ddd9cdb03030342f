package mutate_test

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/validate"
	"fhirsvc/internal/fhir/validate/mutate"
)

// TestEveryMutantIsRefused makes every mutant of the valid resources and wants each
// to have an error.
func TestEveryMutantIsRefused(t *testing.T) {
	t.Parallel()
	files, err := filepath.Glob("../testdata/valid/*.json")
	require.NoError(t, err)
	v := validate.New(validate.Options{})
	classes := map[string]int{}
	for _, f := range files {
		body, err := os.ReadFile(f)
		require.NoError(t, err)
		for _, m := range mutate.All(definitions.R4(), body) {
			require.True(t, outcome.HasErrors(v.Resource(m.Body)), "%s: %s at %s\n%s", filepath.Base(f), m.Class, m.Path, m.Body)
			classes[m.Class]++
		}
	}
	require.Len(t, classes, 13, "every class occurs")
	total := 0
	for _, n := range classes {
		require.Greater(t, n, 2, "%v", classes)
		total += n
	}
	t.Logf("%d mutants: %v", total, classes)
}
