package mutate_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/definitions/gen/npm"
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

// TestEveryMutantOfThePublishedExamplesIsRefused does the same with HL7's own
// examples of every resource type, the short ones, which nobody chose for this test.
func TestEveryMutantOfThePublishedExamplesIsRefused(t *testing.T) {
	t.Parallel()
	longest := 2500 // bytes
	if testing.Short() {
		longest = 1200
	}
	files, err := npm.Files(npm.Examples())
	require.NoError(t, err)
	set, v := definitions.R4(), validate.New(validate.Options{})
	examples, mutants := 0, 0
	for name, body := range files {
		if len(body) > longest || definition(name) || outcome.HasErrors(v.Resource(body)) {
			continue
		}
		examples++
		for _, m := range mutate.All(set, body) {
			mutants++
			if !outcome.HasErrors(v.Resource(m.Body)) {
				t.Errorf("%s: %s at %s", name, m.Class, m.Path)
			}
		}
	}
	require.Greater(t, examples, 50)
	t.Logf("%d mutants of %d examples", mutants, examples)
}

// definition reports a file that defines, of which the package has thousands alike.
func definition(name string) bool {
	for _, kind := range []string{"StructureDefinition-", "ValueSet-", "CodeSystem-", "SearchParameter-", "ConceptMap-", "OperationDefinition-"} {
		if strings.HasPrefix(name, kind) {
			return true
		}
	}
	return false
}
