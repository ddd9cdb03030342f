package guide_test

import (
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/fhir/go/fhirversion"
	"github.com/google/fhir/go/jsonformat"
	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/definitions/gen/npm"
	"fhirsvc/internal/fhir/guide"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/profiles"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/fhir/validate"
	"fhirsvc/internal/rest"
)

const base = "https://release.example/fhir"

// metadata is what a service says at /metadata.
func metadata() []byte {
	return rest.Capability(rest.Options{Version: "1.2.3", Built: time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC)}, base)
}

func newPackage(t *testing.T) *guide.Package {
	t.Helper()
	p, err := guide.New(metadata())
	require.NoError(t, err)
	return p
}

func root(t *testing.T, body []byte) *tree.Node {
	t.Helper()
	doc, issues := tree.Parse(body)
	require.NotNil(t, doc, issues)
	return doc.Root
}

func find(t *testing.T, name string) *tree.Node {
	t.Helper()
	for _, f := range newPackage(t).Files() {
		if f.Name == name {
			return root(t, f.Body)
		}
	}
	t.Fatalf("the package has no %s", name)
	return nil
}

func faults(issues []outcome.Issue) []string {
	var out []string
	for _, i := range issues {
		if outcome.HasErrors([]outcome.Issue{i}) {
			out = append(out, i.String())
		}
	}
	return out
}

// The package holds every kind of resource that it is made of.
func TestKinds(t *testing.T) {
	kinds := map[string]int{}
	for _, f := range newPackage(t).Files() {
		if !f.Example {
			kind, _, _ := strings.Cut(f.Name, "-")
			kinds[kind]++
		}
	}
	require.Equal(t, 1, kinds["ImplementationGuide"])
	require.Equal(t, 2, kinds["CapabilityStatement"])
	require.Equal(t, 1, kinds["CodeSystem"])
	require.Equal(t, 1, kinds["ConceptMap"])
	require.Equal(t, 4, kinds["OperationDefinition"])
	require.Equal(t, 2, kinds["PlanDefinition"])
	require.Equal(t, 3, kinds["MessageDefinition"])
	require.Equal(t, len(profiles.All()), kinds["StructureDefinition"])
	tasks := 0
	for _, c := range fhir.Concepts() {
		if c.Use == fhir.UseTask {
			tasks++
		}
	}
	require.Equal(t, tasks, kinds["ActivityDefinition"])
}

// Every resource is valid against R4 and fits the project's profiles.
func TestEveryResourceIsValid(t *testing.T) {
	v := validate.New(profiles.Strict())
	for _, f := range newPackage(t).Files() {
		require.Empty(t, faults(v.Resource(f.Body)), f.Path())
	}
}

// An independent reader of R4, github.com/google/fhir, takes every resource: it refuses
// unknown members, wrong types and codes of no required value set.
func TestAnotherReaderTakesThePackage(t *testing.T) {
	reader, err := jsonformat.NewUnmarshaller("UTC", fhirversion.R4)
	require.NoError(t, err)
	for _, f := range newPackage(t).Files() {
		_, err := reader.Unmarshal(f.Body)
		require.NoError(t, err, f.Path())
	}
	_, err = reader.Unmarshal([]byte(`{"resourceType":"MessageDefinition","status":"draft","date":"2026","eventCoding":{},"colour":"red"}`))
	require.Error(t, err, "the reader is strict")
}

// URLs are unique, and stand under the base of the release.
func TestURLs(t *testing.T) {
	seen := map[string]string{}
	for _, f := range newPackage(t).Files() {
		if url := root(t, f.Body).Str("url"); url != "" {
			require.Empty(t, seen[url], "%s has the url of %s", f.Name, seen[url])
			require.True(t, strings.HasPrefix(url, fhir.CanonicalBase+"/"), url)
			require.Equal(t, fhir.Published, root(t, f.Body).Str("version"), f.Name)
			seen[url] = f.Name
		}
	}
	require.Greater(t, len(seen), 80)
}

var published = regexp.MustCompile(`^http://hl7\.org/fhir/(StructureDefinition|ValueSet|SearchParameter|OperationDefinition|ImplementationGuide)/`)

// What a resource names with a canonical URL of ours is in the package, and one of R4's
// is in R4.
func TestCanonicals(t *testing.T) {
	ours := map[string]bool{}
	files := newPackage(t).Files()
	for _, f := range files {
		r := root(t, f.Body)
		ours[r.Str("url")] = true
		ours[r.Get("uniqueId").At(0).Str("value")] = true // a NamingSystem's
	}
	r4 := map[string]bool{}
	definitions, err := npm.Files(npm.Examples())
	require.NoError(t, err)
	for _, body := range definitions {
		if doc, _ := tree.Parse(body); doc != nil {
			r4[doc.Root.Str("url")] = true
		}
	}
	require.Greater(t, len(r4), 2000)
	checked := 0
	for _, f := range files {
		for text := range texts(root(t, f.Body)) {
			url, version, _ := strings.Cut(text, "|")
			url, _, _ = strings.Cut(url, "#")
			switch {
			case strings.HasPrefix(url, fhir.CanonicalBase+"/SubscriptionTopic/"): // R4 has no resource for it
				require.True(t, slices.ContainsFunc(fhir.Topics(), func(t fhir.Topic) bool { return t.URL == url }), text)
				checked++
			case strings.HasPrefix(url, fhir.CanonicalBase+"/"):
				require.True(t, ours[url], "%s names %s", f.Path(), text)
				require.Contains(t, []string{"", fhir.Published}, version, "%s names %s", f.Path(), text)
				checked++
			case published.MatchString(url):
				require.True(t, r4[url], "%s names %s", f.Path(), text)
				checked++
			}
		}
	}
	require.Greater(t, checked, 4000)
}

// texts gives every string at and below a node.
func texts(n *tree.Node) func(func(string) bool) {
	return func(yield func(string) bool) {
		var walk func(n *tree.Node) bool
		walk = func(n *tree.Node) bool {
			if n.Is(tree.String) {
				return yield(n.Text)
			}
			for c := n.First(); c != nil; c = c.Next() {
				if !walk(c) {
					return false
				}
			}
			return true
		}
		walk(n)
	}
}

// What the service writes is shown as its own tests have it.
func TestExamplesOfWhatIsWrittenAreGolden(t *testing.T) {
	golden := map[string]bool{}
	paths, err := filepath.Glob("../../../testdata/fhir/*.json")
	require.NoError(t, err)
	for _, path := range paths {
		body, err := os.ReadFile(path)
		require.NoError(t, err)
		golden[string(body)] = true
	}
	written := map[string]bool{}
	for _, f := range newPackage(t).Files() {
		kind := root(t, f.Body).Str("resourceType")
		if !f.Example || profiles.Outgoing().Require[kind] == nil {
			continue
		}
		require.True(t, golden[string(f.Body)], "api/%s is not what the service writes: copy it from testdata/fhir", f.Path())
		written[kind] = true
	}
	require.Len(t, written, len(profiles.Outgoing().Require), "a type of which no example shows what is written")
}
