package validate_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/fhir/validate"
)

// The profiles of these tests ask for a telecom of organizations, and tell a Bundle's entries apart by type
// and a Task's inputs by a pattern beside a required set.
const (
	telecomRule = `{"resourceType":"StructureDefinition","url":"https://x.example/reachable","name":"Reachable","kind":"resource",
		"type":"Organization","derivation":"constraint","differential":{"element":[{"id":"Organization.telecom","path":"Organization.telecom","min":1}]}}`
	entryRule = `{"resourceType":"StructureDefinition","url":"https://x.example/pair","name":"Pair","kind":"resource","type":"Bundle","derivation":"constraint",
		"differential":{"element":[
		{"id":"Bundle.entry","path":"Bundle.entry","slicing":{"discriminator":[{"type":"type","path":"resource"}],"rules":"closed"}},
		{"id":"Bundle.entry:patient","path":"Bundle.entry","sliceName":"patient","min":1,"max":"1"},
		{"id":"Bundle.entry:patient.resource","path":"Bundle.entry.resource","type":[{"code":"Patient"}]}]}}`
	inputRule = `{"resourceType":"StructureDefinition","url":"https://x.example/inputs","name":"Inputs","kind":"resource","type":"Task","derivation":"constraint",
		"differential":{"element":[
		{"id":"Task.input","path":"Task.input","slicing":{"discriminator":[{"type":"pattern","path":"type"}],"rules":"open"}},
		{"id":"Task.input:one","path":"Task.input","sliceName":"one","max":"1"},
		{"id":"Task.input:one.type","path":"Task.input.type","patternCodeableConcept":{"coding":[{"system":"https://x.example/cs","code":"one"}]},
		 "binding":{"strength":"required","valueSet":"https://x.example/vs"}}]}}`
	inputSet = `{"resourceType":"ValueSet","url":"https://x.example/vs","compose":{"include":[{"system":"https://x.example/cs","concept":[{"code":"one"},{"code":"more"}]}]}}`
)

func wards(t *testing.T, advise bool) *validate.Validator {
	t.Helper()
	guide, err := definitions.R4().ReadGuide([]byte(telecomRule), []byte(entryRule), []byte(inputRule), []byte(inputSet))
	require.NoError(t, err)
	return validate.New(validate.Options{
		Guide: guide, Advise: advise,
		Require: map[string][]string{"Bundle": {"https://x.example/pair"}, "Task": {"https://x.example/inputs"}},
		Select: func(n *tree.Node) string {
			if n.Str("name") == "Ward" {
				return "https://x.example/reachable"
			}
			return ""
		},
	})
}

func TestSelectedProfile(t *testing.T) {
	t.Parallel()
	v := wards(t, false)
	require.Empty(t, v.Resource([]byte(`{"resourceType":"Organization","name":"Kitchen"}`)))
	issues := v.Resource([]byte(`{"resourceType":"Organization","name":"Ward"}`))
	require.Len(t, issues, 1)
	require.Equal(t, outcome.SeverityError, issues[0].Severity)
	require.Equal(t, "Organization.telecom", issues[0].Expression)
}

// Advice is a warning that names its profile; faults against R4 stay errors, also where
// the content claims the profile.
func TestAdvice(t *testing.T) {
	t.Parallel()
	v := wards(t, true)
	for _, body := range []string{
		`{"resourceType":"Organization","name":"Ward","active":"yes"}`,
		`{"resourceType":"Organization","meta":{"profile":["https://x.example/reachable"]},"active":"yes"}`,
	} {
		var errors, warnings []string
		for _, i := range v.Resource([]byte(body)) {
			if i.Severity == outcome.SeverityError {
				errors = append(errors, i.Rule)
			} else {
				warnings = append(warnings, i.Rule)
			}
		}
		require.NotEmpty(t, errors)
		require.NotContains(t, strings.Join(errors, " "), "https://x.example")
		require.Equal(t, []string{"https://x.example/reachable#profile"}, warnings)
	}
}

func TestSliceByTheTypeOfAResource(t *testing.T) {
	t.Parallel()
	v := wards(t, false)
	bundle := func(kind string) []outcome.Issue {
		return v.Resource([]byte(`{"resourceType":"Bundle","type":"collection","entry":[{"fullUrl":"urn:uuid:00000000-0000-4000-8000-000000000001",
			"resource":{"resourceType":"` + kind + `"}}]}`))
	}
	require.Empty(t, bundle("Patient"))
	require.NotEmpty(t, bundle("Basic"))
}

// A required set that a slice shares with its neighbours does not make them members.
func TestSliceByPatternBesideASet(t *testing.T) {
	t.Parallel()
	input := func(code string) string {
		return `{"type":{"coding":[{"system":"https://x.example/cs","code":"` + code + `"}]},"valueBoolean":true}`
	}
	task := `{"resourceType":"Task","status":"ready","intent":"order","input":[`
	v := wards(t, false)
	require.Empty(t, v.Resource([]byte(task+input("one")+","+input("more")+","+input("more")+`]}`)))
	require.NotEmpty(t, v.Resource([]byte(task+input("one")+","+input("one")+`]}`)))
}
