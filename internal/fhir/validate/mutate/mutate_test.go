package mutate_test

import (
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/definitions/gen/npm"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/validate"
	"fhirsvc/internal/fhir/validate/mutate"
)

// valid gives the resources of the validator's own tests.
func valid(t *testing.T) [][]byte {
	t.Helper()
	files, err := filepath.Glob("../testdata/valid/*.json")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	var out [][]byte
	for _, f := range files {
		body, err := os.ReadFile(f)
		require.NoError(t, err)
		out = append(out, body)
	}
	return out
}

// TestSeedsAreValid: what a mutant is made from has no fault of its own, so that any
// error in the mutant comes from the mutation.
func TestSeedsAreValid(t *testing.T) {
	t.Parallel()
	v := validate.New(validate.Options{})
	for _, s := range mutate.Seeds() {
		t.Run(s.Name, func(t *testing.T) {
			t.Parallel()
			for _, i := range v.Resource(s.Body) {
				require.NotEqual(t, "error", string(i.Severity), i.String())
			}
		})
	}
}

// TestCorpusIsTheSameEachTime: a verdict can be compared with yesterday's.
func TestCorpusIsTheSameEachTime(t *testing.T) {
	t.Parallel()
	require.Equal(t, mutate.Corpus(), mutate.Corpus())
}

// TestCorpusIDs: no two mutants of the corpus have the same.
func TestCorpusIDs(t *testing.T) {
	t.Parallel()
	seen := map[string]bool{}
	for _, m := range mutate.Corpus(valid(t)...) {
		require.False(t, seen[m.ID()], m.ID())
		seen[m.ID()] = true
	}
}

// TestEveryInvariantIsViolated: each error-level invariant that applies to the types
// is broken by a mutant.
func TestEveryInvariantIsViolated(t *testing.T) {
	t.Parallel()
	broken := map[string]bool{}
	for _, m := range mutate.Corpus() {
		if key, _, _ := strings.Cut(m.What, "/"); m.Class == mutate.Invariant {
			broken[key] = true
		}
	}
	for _, key := range slices.Sorted(maps.Keys(applying())) {
		require.True(t, broken[key], "no mutant breaks %s", key)
	}
}

// unseen are the mutants that we let pass, each with the reason.
func unseen() map[string]string {
	return map[string]string{
		// R4 Bundle.entry.fullUrl: "SHALL have a value except that: fullUrl can be empty on a
		// POST […]; Results from operations might involve resources that are not identified".
		"Bundle/bundle/fullUrl missing": "the exceptions cannot be told from the content: a warning",
	}
}

// TestEveryMutantIsRefused wants an error in every mutant of the corpus, and in every one
// of the validator's own valid resources, wherever the element stands.
func TestEveryMutantIsRefused(t *testing.T) {
	t.Parallel()
	v := validate.New(validate.Options{})
	classes, passed := map[string]int{}, map[string]bool{}
	check := func(m mutate.Mutant) {
		classes[m.Class]++
		if !outcome.HasErrors(v.Resource(m.Body)) {
			passed[m.ID()] = true
			require.Contains(t, unseen(), m.ID(), "at %s\n%s", m.At, m.Body)
		}
	}
	for _, m := range mutate.Corpus() {
		check(m)
	}
	for _, body := range valid(t) {
		for _, m := range mutate.Of(body) {
			check(m)
		}
	}
	require.Len(t, passed, len(unseen()), "refused: take it off the list")
	require.Len(t, classes, 17, "every class occurs")
	for class, n := range classes {
		require.Greater(t, n, 5, class)
	}
	t.Log(classes)
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
	v := validate.New(validate.Options{})
	examples, mutants := 0, 0
	for name, body := range files {
		if len(body) > longest || definition(name) || outcome.HasErrors(v.Resource(body)) {
			continue
		}
		examples++
		for _, m := range mutate.Of(body) {
			mutants++
			if !outcome.HasErrors(v.Resource(m.Body)) {
				t.Errorf("%s: %s at %s", name, m.ID(), m.At)
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

// applying gives the keys of all error-level invariants that apply somewhere within
// the types that mutants are made of, the native ones of R4 included.
func applying() map[string]bool {
	keys := map[string]bool{"ele-1": true, "dom-2": true, "dom-3": true, "dom-4": true, "dom-5": true}
	seen := map[*definitions.Shape]bool{}
	var visit func(cs []definitions.Constraint, s *definitions.Shape)
	visit = func(cs []definitions.Constraint, s *definitions.Shape) {
		for _, c := range cs {
			if !c.Warning {
				keys[c.Key] = true
			}
		}
		if s == nil || seen[s] {
			return
		}
		seen[s] = true
		for _, e := range s.Elements {
			visit(e.Constraints, e.Nested)
			if e.Nested != nil {
				continue
			}
			for _, m := range e.Members {
				if m.Type.Kind != definitions.Resource {
					visit(m.Type.Constraints, &m.Type.Shape)
				}
			}
		}
	}
	for _, name := range mutate.Types() {
		t := definitions.R4().Type(name)
		visit(t.Constraints, &t.Shape)
	}
	return keys
}
