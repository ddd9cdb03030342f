package fhirpath_test

import (
	"bufio"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/fhirpath"
	"fhirsvc/internal/fhir/tree"
)

// suiteTest is one test of HL7's suite; testdata/hl7/README.md names the source.
type suiteTest struct {
	Group, Name, InputFile, Expression, Predicate string
	Invalid                                       *string
	Outputs                                       []struct{ Type, Value string }
}

// TestSuite runs HL7's FHIRPath tests for R4. What does not pass stands in
// testdata/failures.txt with its reason; a listed test that passes fails the suite.
func TestSuite(t *testing.T) {
	t.Parallel()
	body, err := os.ReadFile("testdata/hl7/tests.json")
	require.NoError(t, err)
	var tests []suiteTest
	require.NoError(t, json.Unmarshal(body, &tests))
	listed := failures(t)
	seen := map[string]int{}
	passed := 0
	for _, st := range tests {
		name := st.Group + "/" + st.Name
		if seen[name]++; seen[name] > 1 {
			name = fmt.Sprintf("%s#%d", name, seen[name])
		}
		t.Run(name, func(t *testing.T) {
			fault := st.run(t)
			if _, known := listed[name]; known {
				require.NotEmpty(t, fault, "passes: take it off testdata/failures.txt")
				delete(listed, name)
				return
			}
			require.Empty(t, fault, st.Expression)
			passed++
		})
	}
	require.Empty(t, listed, "testdata/failures.txt names tests that are not in the suite")
	t.Logf("%d of %d pass, %.1f %%", passed, len(tests), 100*float64(passed)/float64(len(tests)))
}

func failures(t *testing.T) map[string]string {
	t.Helper()
	f, err := os.Open("testdata/failures.txt")
	require.NoError(t, err)
	defer func() { require.NoError(t, f.Close()) }()
	out := map[string]string{}
	lines := bufio.NewScanner(f)
	for lines.Scan() {
		name, reason, ok := strings.Cut(lines.Text(), "\t")
		if strings.HasPrefix(lines.Text(), "#") || lines.Text() == "" {
			continue
		}
		require.True(t, ok && reason != "", "no reason: %s", lines.Text())
		out[name] = reason
	}
	require.NoError(t, lines.Err())
	return out
}

// run gives what is wrong, "" when the test passes.
func (st suiteTest) run(t *testing.T) string {
	env := fhirpath.NewEnv(definitions.R4(), &tree.Node{})
	if st.InputFile != "" {
		body, err := os.ReadFile(filepath.Join("testdata/hl7", strings.TrimSuffix(st.InputFile, ".xml")+jsonExt(st.InputFile)))
		require.NoError(t, err)
		doc, issues := tree.Parse(body)
		require.NotNil(t, doc, "%v", issues)
		env.SetResource(doc.Root)
	}
	env.Now = "2026-03-01T10:00:00+01:00"
	env.Conforms = func(v fhirpath.Value, url string) (bool, error) {
		name, ok := strings.CutPrefix(url, "http://hl7.org/fhir/StructureDefinition/")
		if !ok || definitions.R4().Type(name) == nil {
			return false, fmt.Errorf("the profile %s is not known", url)
		}
		return v.Member().Type.Is(name), nil
	}
	p, err := fhirpath.Compile(st.Expression, fhirpath.Strict(env.Resource.TypeName()))
	var got []fhirpath.Value
	if err == nil {
		got, err = p.Eval(env, env.Resource)
	}
	if st.Invalid != nil {
		if err == nil {
			return fmt.Sprintf("no error, result %v", got)
		}
		return ""
	}
	if err != nil {
		return err.Error()
	}
	return st.compare(got)
}

func jsonExt(name string) string {
	if strings.HasSuffix(name, ".json") {
		return ""
	}
	return ".json"
}

func (st suiteTest) compare(got []fhirpath.Value) string {
	if st.Predicate == "true" {
		got = []fhirpath.Value{fhirpath.Boolean(len(got) > 0)}
	}
	if len(got) != len(st.Outputs) {
		return fmt.Sprintf("%d results %v, want %d", len(got), got, len(st.Outputs))
	}
	for i, want := range st.Outputs {
		if want.Type != "" && !strings.EqualFold(want.Type, got[i].TypeName()) {
			return fmt.Sprintf("result %d is a %s, want %s", i, got[i].TypeName(), want.Type)
		}
		value := strings.TrimPrefix(strings.TrimPrefix(want.Value, "@"), "T")
		if got[i].String() != value {
			return fmt.Sprintf("result %d is %s, want %s", i, got[i], value)
		}
	}
	return ""
}
