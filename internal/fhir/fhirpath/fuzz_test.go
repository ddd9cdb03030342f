package fhirpath_test

import (
	"encoding/json"
	"os"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/fhirpath"
	"fhirsvc/internal/fhir/tree"
)

// FuzzFHIRPath wants a result or an error for any expression, and the same from a
// second evaluation.
func FuzzFHIRPath(f *testing.F) {
	body, err := os.ReadFile("testdata/hl7/tests.json")
	require.NoError(f, err)
	var tests []suiteTest
	require.NoError(f, json.Unmarshal(body, &tests))
	for _, st := range tests {
		f.Add(st.Expression)
	}
	patient, err := os.ReadFile("testdata/hl7/patient-example.json")
	require.NoError(f, err)
	doc, _ := tree.Parse(patient)
	f.Fuzz(func(t *testing.T, expression string) {
		if len(expression) > 300 {
			return
		}
		p, err := fhirpath.Compile(expression)
		if err != nil {
			return
		}
		env := fhirpath.NewEnv(definitions.R4(), doc.Root)
		first, errFirst := p.Eval(env, env.Resource)
		n := len(first)
		again, errAgain := p.Eval(env, env.Resource)
		require.Equal(t, errFirst, errAgain)
		require.Len(t, again, n)
	})
}
