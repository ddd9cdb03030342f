package conformance

import (
	"maps"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/validate"
)

// TestSeedsAreValid: what a mutant is made from has no fault of its own, so that any
// error in the mutant comes from the mutation.
func TestSeedsAreValid(t *testing.T) {
	t.Parallel()
	v := validate.New(validate.Options{})
	for _, c := range Mutants() {
		if c.Class != Seed {
			continue
		}
		t.Run(c.ID, func(t *testing.T) {
			t.Parallel()
			for _, i := range v.Resource(c.Body) {
				require.NotEqual(t, "error", string(i.Severity), i.String())
			}
		})
	}
}

// TestMutantsAreTheSameEachTime: a verdict can be compared with yesterday's.
func TestMutantsAreTheSameEachTime(t *testing.T) {
	t.Parallel()
	require.Equal(t, Mutants(), Mutants())
}

// TestEveryInvariantIsViolated: each error-level invariant that applies to the types
// is broken by a mutant.
func TestEveryInvariantIsViolated(t *testing.T) {
	t.Parallel()
	broken := map[string]bool{}
	for _, c := range Mutants() {
		if parts := strings.Split(c.ID, "/"); parts[1] == invariantClass {
			broken[parts[2]] = true
		}
	}
	for _, key := range slices.Sorted(maps.Keys(applying())) {
		require.True(t, broken[key], "no mutant breaks %s", key)
	}
}
