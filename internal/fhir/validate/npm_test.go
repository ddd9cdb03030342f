package validate_test

import (
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/definitions/gen/npm"
)

var readPublished = sync.OnceValues(func() (map[string][]byte, error) { return npm.Files(npm.Examples()) })

// publishedFiles gives the JSON files of HL7's package by name. When the package is
// not there it is fetched through npm; a failure fails the test.
func publishedFiles(t testing.TB) map[string][]byte {
	t.Helper()
	files, err := readPublished()
	require.NoError(t, err)
	return files
}

// instances are the published examples that are no definitions themselves.
func instances(t testing.TB) map[string][]byte {
	t.Helper()
	out := map[string][]byte{}
	for name, body := range publishedFiles(t) {
		switch kind, _, _ := strings.Cut(name, "-"); kind {
		case "StructureDefinition", "ValueSet", "CodeSystem", "SearchParameter", "ConceptMap", "OperationDefinition", "CompartmentDefinition":
		default:
			out[name] = body
		}
	}
	return out
}
