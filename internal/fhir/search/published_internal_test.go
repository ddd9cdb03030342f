package search

import (
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/definitions/gen/npm"
	"fhirsvc/internal/fhir/fhirpath"
	"fhirsvc/internal/fhir/tree"
)

// On every published example of the served types, a path leads to the very values that
// the FHIRPath engine finds by the published expression. The filter by resolve() is
// left off on both sides: an example's targets are not there to be resolved.
func TestPathsLeadWhereFHIRPathLeads(t *testing.T) {
	t.Parallel()
	programs := map[string]*fhirpath.Program{}
	compared, found := 0, 0
	files, err := npm.Files(npm.Examples())
	require.NoError(t, err)
	for name, body := range files {
		doc, _ := tree.Parse(body)
		if doc == nil {
			continue
		}
		env := fhirpath.NewEnv(definitions.R4(), doc.Root)
		for _, p := range Params(doc.Root.Str("resourceType")) {
			if p.Kind == Composite {
				continue // its parts are compared
			}
			expression := unresolved(p.Expression)
			want := map[string]bool{}
			for one := range strings.SplitSeq(expression, " | ") { // one by one, since a union drops equal values
				if programs[one] == nil {
					program, err := fhirpath.Compile(one, fhirpath.AsFilters())
					require.NoError(t, err, one)
					programs[one] = program
				}
				values, err := programs[one].Eval(env, env.Resource)
				require.NoError(t, err, "%s: %s", name, one)
				for _, v := range values {
					want[doc.Raw(v.Node())] = true
				}
			}
			require.Equal(t, want, texts(p, doc), "%s: %s", name, expression)
			compared++
			found += len(want)
		}
	}
	require.Greater(t, compared, 10_000)
	require.Greater(t, found, 5_000)
	t.Logf("%d expressions on published examples, %d values found", compared, found)
}

func texts(p Param, doc *tree.Document) map[string]bool {
	out := map[string]bool{}
	for _, path := range p.paths {
		if path[len(path)-1].target != "" {
			path = path[:len(path)-1]
		}
		path.each(doc.Root, func(n *tree.Node) { out[doc.Raw(n)] = true })
	}
	return out
}

func unresolved(expression string) string {
	return regexp.MustCompile(`\.where\(resolve\(\) is \w+\)`).ReplaceAllString(expression, "")
}
