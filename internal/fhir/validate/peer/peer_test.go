package peer

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/fhir/go/fhirversion"
	"github.com/google/fhir/go/jsonformat"
	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/definitions/gen/npm"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/validate"
)

func newPeer(t *testing.T) *jsonformat.Unmarshaller {
	t.Helper()
	u, err := jsonformat.NewUnmarshaller("UTC", fhirversion.R4)
	require.NoError(t, err)
	return u
}

// TestWhatThePeerRefusesWeRefuse goes through the 740 published example instances.
func TestWhatThePeerRefusesWeRefuse(t *testing.T) {
	t.Parallel()
	files, err := npm.Files(npm.Examples())
	require.NoError(t, err)
	u, v := newPeer(t), validate.New(validate.Options{})
	refused := 0
	for name, body := range files {
		const longest = 1 << 20 // the peer needs minutes for the bundles of all definitions
		switch kind, _, _ := strings.Cut(name, "-"); kind {
		case "StructureDefinition", "ValueSet", "CodeSystem", "SearchParameter", "ConceptMap", "OperationDefinition", "CompartmentDefinition":
			continue
		}
		if len(body) > longest {
			continue
		}
		if _, err := u.Unmarshal(body); err != nil {
			refused++
			require.True(t, outcome.HasErrors(v.Resource(body)), "%s: %v", name, err)
		}
	}
	require.Greater(t, refused, 3, "the peer works")
	t.Logf("the peer refuses %d", refused)
}

// TestThePeerAcceptsWhatWeCallValid covers the valid resources of our own tests.
func TestThePeerAcceptsWhatWeCallValid(t *testing.T) {
	t.Parallel()
	u := newPeer(t)
	for name, body := range valid(t) {
		_, err := u.Unmarshal(body)
		require.NoError(t, err, name)
	}
}

func valid(t *testing.T) map[string][]byte {
	t.Helper()
	files, err := filepath.Glob("../testdata/valid/*.json")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	out := map[string][]byte{}
	for _, f := range files {
		if out[filepath.Base(f)], err = os.ReadFile(f); err != nil {
			t.Fatal(err)
		}
	}
	return out
}
