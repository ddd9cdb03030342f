package validate

import (
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/fhirpath"
	"fhirsvc/internal/fhir/tree"
)

// nativeCase holds a rule that is written in Go against its published expression,
// or where that cannot be used against its text: want is whether the rule holds.
type nativeCase struct {
	key, body string
	want      bool
}

// TestNativeRulesAgreeWithThePublishedOnes evaluates ext-1, ele-1, dom-2, dom-4 and
// dom-5 as published, by FHIRPath, on the same content.
func TestNativeRulesAgreeWithThePublishedOnes(t *testing.T) {
	t.Parallel()
	tests := []nativeCase{
		{"ext-1", `{"extension":[{"url":"x:y","valueCode":"a"}]}`, true},
		{"ext-1", `{"extension":[{"url":"x:y"}]}`, false},
		{"ext-1", `{"extension":[{"url":"x:y","valueCode":"a","extension":[{"url":"z","valueCode":"b"}]}]}`, false},
		{"ext-1", `{"extension":[{"url":"x:y","_valueCode":{"extension":[{"url":"x:z","valueCode":"b"}]}}]}`, true},
		{"ext-1", `{"extension":[{"url":"x:y","extension":[{"url":"z","valueCode":"b"}]}]}`, true},
		{"ele-1", `{"name":[{"id":"x"}]}`, false},
		{"ele-1", `{"name":[{"id":"x","family":"y"}]}`, true},
		{"ele-1", `{"name":[{"_family":{"id":"y"}}]}`, false},
		{"ele-1", `{"name":[{"_family":{"extension":[{"url":"x:y","valueCode":"a"}]}}]}`, true},
		{"dom-2", `{"contained":[{"resourceType":"Patient","id":"a","contained":[{"resourceType":"Patient","id":"b"}]}],"link":[{"type":"seealso","other":{"reference":"#a"}}]}`, false},
		{"dom-4", `{"contained":[{"resourceType":"Patient","id":"a","meta":{"lastUpdated":"2026-01-01T00:00:00Z"}}],"link":[{"type":"seealso","other":{"reference":"#a"}}]}`, false},
		{"dom-4", `{"contained":[{"resourceType":"Patient","id":"a","meta":{"source":"x:y"}}],"link":[{"type":"seealso","other":{"reference":"#a"}}]}`, true},
		{"dom-5", `{"contained":[{"resourceType":"Patient","id":"a","meta":{"security":[{"code":"R"}]}}],"link":[{"type":"seealso","other":{"reference":"#a"}}]}`, false},
	}
	v := New(Options{})
	for _, tt := range tests {
		t.Run(tt.key+" "+tt.body, func(t *testing.T) {
			t.Parallel()
			require.Equal(t, tt.want, v.keeps(tt), "written in Go")
			require.Equal(t, tt.want, publishedHolds(t, tt), "as published")
		})
	}
}

// TestNativeRulesSayWhatTheTextSays covers the rules whose published expression
// fails where the text does not: dom-3 (as() of more than one item), ref-1 (empty
// without reference).
func TestNativeRulesSayWhatTheTextSays(t *testing.T) {
	t.Parallel()
	contained := func(inner, rest string) string {
		return `{"contained":[{"resourceType":"Patient","id":"a"` + inner + `}]` + rest + `}`
	}
	other := `,"link":[{"type":"seealso","other":{"reference":"#a"}}]`
	tests := []nativeCase{
		{"dom-3", contained("", ""), false},
		{"dom-3", contained("", other), true},
		{"dom-3", contained(`,"link":[{"type":"seealso","other":{"reference":"#"}}]`, ""), true},
		{"dom-3", contained("", `,"generalPractitioner":[{"display":"a"}]`), false},
		{"dom-3", contained("", `,"extension":[{"url":"x:y","valueUri":"#a"}]`), true},
		{"dom-3", contained("", `,"extension":[{"url":"x:y","valueCanonical":"#a"}]`), true},
		{"ref-1", `{"link":[{"type":"seealso","other":{"display":"x"}}]}`, true},
		{"ref-1", `{"link":[{"type":"seealso","other":{"reference":"Patient/1"}}]}`, true},
		{"ref-1", `{"link":[{"type":"seealso","other":{"reference":"#b"}}]}`, false},
		{"ref-1", contained("", other), true},
	}
	v := New(Options{})
	for _, tt := range tests {
		t.Run(tt.key+" "+tt.body, func(t *testing.T) {
			t.Parallel()
			require.Equal(t, tt.want, v.keeps(tt))
		})
	}
}

func (c nativeCase) patient() []byte {
	return []byte(`{"resourceType":"Patient",` + c.body[1:])
}

// keeps reports whether the validator finds the rule kept.
func (v *Validator) keeps(c nativeCase) bool {
	for _, i := range v.Resource(c.patient()) {
		if i.Rule == c.key {
			return false
		}
	}
	return true
}

// publishedHolds evaluates the published expression wherever it applies.
func publishedHolds(t *testing.T, c nativeCase) bool {
	t.Helper()
	doc, issues := tree.Parse(c.patient())
	require.Empty(t, issues)
	set := definitions.R4()
	env := fhirpath.NewEnv(set, doc.Root)
	where := map[string]string{
		"ext-1": "descendants().ofType(Extension)", "ele-1": "descendants()",
		"dom-2": "$this", "dom-4": "$this", "dom-5": "$this",
	}[c.key]
	expression := ""
	for _, constraint := range published()[c.key] {
		expression = constraint.Expression
	}
	require.NotEmpty(t, expression)
	p, err := fhirpath.Compile(where + ".all(" + expression + ")")
	require.NoError(t, err)
	truth, err := p.Test(env, env.Resource)
	require.NoError(t, err)
	return truth == fhirpath.True
}
