package search_test

import (
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/search"
)

const ownBase = "https://fhirsvc.example/fhir/SearchParameter/"

// Every line of the table is compared with the SearchParameter that it names, as
// published in hl7.fhir.r4 4.0.1 (hl7.org/fhir/R4/searchparameter-registry.html).
func TestParamsAreThePublishedOnes(t *testing.T) {
	t.Parallel()
	r4 := definitions.R4()
	for _, resourceType := range search.Types() {
		published := map[string]definitions.SearchParameter{}
		for _, p := range r4.SearchParametersOf(resourceType) {
			published[p.URL] = p
		}
		for _, p := range search.Params(resourceType) {
			if strings.HasPrefix(p.Definition, ownBase) {
				continue
			}
			t.Run(resourceType+"/"+p.Code, func(t *testing.T) {
				t.Parallel()
				want, ok := published[p.Definition]
				require.True(t, ok, "no published parameter of this type is %s", p.Definition)
				require.Equal(t, want.Code, p.Code)
				require.Equal(t, want.Type, p.Kind.String())
				require.Equal(t, partOf(want.Expression, resourceType), p.Expression)
				checkTarget(t, want, p)
			})
		}
	}
}

// partOf gives the alternatives of an expression that start at the type.
func partOf(expression, resourceType string) string {
	var own []string
	for _, alternative := range strings.Split(expression, " | ") {
		start, _, _ := strings.Cut(strings.TrimPrefix(alternative, "("), ".")
		if start == resourceType || start == "Resource" {
			own = append(own, alternative)
		}
	}
	return strings.Join(own, " | ")
}

func checkTarget(t *testing.T, want definitions.SearchParameter, p search.Param) {
	t.Helper()
	switch {
	case strings.Contains(p.Expression, "resolve() is "+p.Target+")") && p.Target != "":
	case p.Target != "":
		require.Equal(t, want.Targets, []string{p.Target})
	case p.Kind == search.Reference:
		require.Greater(t, len(want.Targets), 1)
	}
}

// The system of a code element is that of its required binding.
func TestSystemsAreThoseOfTheBindings(t *testing.T) {
	t.Parallel()
	r4 := definitions.R4()
	checked := 0
	for _, resourceType := range search.Types() {
		for _, p := range search.Params(resourceType) {
			if p.Kind != search.Token {
				continue
			}
			element := elementAt(&r4.Type(resourceType).Shape, strings.TrimPrefix(p.Expression, resourceType+"."))
			if element == nil || element.Types[0].Code != "code" || element.Binding == nil {
				require.Empty(t, p.System, "%s %s", resourceType, p.Code)
				continue
			}
			checked++
			set := r4.ValueSet(element.Binding.ValueSet)
			require.NotNil(t, set, element.Binding.ValueSet)
			if len(set.Systems) == 0 { // media types, which nobody lists
				require.Empty(t, p.System, "%s %s", resourceType, p.Code)
				continue
			}
			require.True(t, slices.ContainsFunc(set.Systems, func(c definitions.Codes) bool { return c.System == p.System }),
				"%s %s: %q is not among the systems of %s", resourceType, p.Code, p.System, set.URL)
		}
	}
	require.Greater(t, checked, 10)
}

// elementAt gives the element of a path of names; nil when there is none.
func elementAt(s *definitions.Shape, path string) *definitions.Element {
	name, rest, nested := strings.Cut(path, ".")
	e := s.Element(name)
	if e == nil || !nested {
		return e
	}
	return elementAt(e.Nested, rest)
}

func TestOwnParams(t *testing.T) {
	t.Parallel()
	got := map[string]string{}
	for _, resourceType := range search.Types() {
		for _, p := range search.Params(resourceType) {
			if strings.HasPrefix(p.Definition, ownBase) {
				got[p.Code+" "+p.Definition] = p.Expression
			}
		}
	}
	require.Equal(t, map[string]string{
		"status " + ownBase + "detected-issue-status": "DetectedIssue.status",
		"due-date " + ownBase + "task-due-date":       "Task.restriction.period.end",
		"not-before " + ownBase + "task-not-before":   "Task.restriction.period.start",
	}, got)
}
