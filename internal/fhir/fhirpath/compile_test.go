package fhirpath_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/fhirpath"
)

// TestEveryPublishedInvariantCompiles covers all invariants of R4's types and
// profiles, and the expressions of all its search parameters.
func TestEveryPublishedInvariantCompiles(t *testing.T) {
	t.Parallel()
	set := definitions.R4()
	keys := map[string]bool{}
	try := func(list []definitions.Constraint) {
		for _, c := range list {
			_, err := fhirpath.Compile(c.Expression)
			require.NoError(t, err, c.Key)
			keys[c.Key+c.Expression] = true
		}
	}
	for _, name := range set.TypeNames() {
		typ := set.Type(name)
		try(typ.Constraints)
		eachElement(&typ.Shape, func(e *definitions.Element) { try(e.Constraints) })
	}
	for _, url := range set.ProfileURLs() {
		eachRule(set.Profile(url).Root, func(r *definitions.Rule) { try(r.Constraints) })
	}
	require.Greater(t, len(keys), 240)
	for _, p := range set.SearchParameters() {
		if p.Expression == "" {
			continue
		}
		_, err := fhirpath.Compile(p.Expression, fhirpath.AsFilters())
		require.NoError(t, err, p.URL)
	}
}

func eachElement(s *definitions.Shape, do func(*definitions.Element)) {
	for _, e := range s.Elements {
		do(e)
		if e.Nested != nil && e.Content == "" {
			eachElement(e.Nested, do)
		}
	}
}

func eachRule(r *definitions.Rule, do func(*definitions.Rule)) {
	do(r)
	for _, c := range r.Children {
		eachRule(c, do)
	}
	for _, s := range r.Slices {
		eachRule(s, do)
	}
}

// TestPublishedInvariantsNameElementsThatExist checks the types in the invariants of
// every resource and data type itself.
func TestPublishedInvariantsNameElementsThatExist(t *testing.T) {
	t.Parallel()
	set := definitions.R4()
	wrong := map[string]bool{
		"cid-0": true, // speaks of the name of a ChargeItemDefinition, which has none
	}
	for _, name := range set.TypeNames() {
		for _, c := range set.Type(name).Constraints {
			_, err := fhirpath.Compile(c.Expression, fhirpath.Strict(name))
			if wrong[c.Key] {
				require.Error(t, err, c.Key)
				continue
			}
			assert.NoError(t, err, "%s %s", name, c.Key)
		}
	}
	_, err := fhirpath.Compile("name.givn.exists()", fhirpath.Strict("Patient"))
	require.ErrorContains(t, err, "HumanName has no element givn")
}
