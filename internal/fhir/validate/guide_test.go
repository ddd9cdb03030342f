package validate_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/validate"
)

// bedside is a profile of our own with everything that a differential may say.
const bedside = `{"resourceType":"StructureDefinition","url":"https://x.example/bedside","name":"Bedside","kind":"resource",
	"type":"Observation","derivation":"constraint","baseDefinition":"http://hl7.org/fhir/StructureDefinition/Observation",
	"differential":{"element":[
	{"id":"Observation","path":"Observation","constraint":[{"key":"bed-1","severity":"error","human":"A finding has a time of entry","expression":"issued.exists()"}]},
	{"id":"Observation.performer","path":"Observation.performer","min":1,"max":"1"},
	{"id":"Observation.method","path":"Observation.method","max":"0"},
	{"id":"Observation.value[x]","path":"Observation.value[x]","type":[{"code":"CodeableConcept"}],
	 "binding":{"strength":"required","valueSet":"https://x.example/vs"}},
	{"id":"Observation.component","path":"Observation.component","slicing":{"discriminator":[{"type":"pattern","path":"code"}],"rules":"closed","ordered":true}},
	{"id":"Observation.component:method","path":"Observation.component","sliceName":"method","max":"1"},
	{"id":"Observation.component:method.code","path":"Observation.component.code","patternCodeableConcept":{"coding":[{"code":"m"}]}},
	{"id":"Observation.component:finger","path":"Observation.component","sliceName":"finger","min":0,"max":"1"},
	{"id":"Observation.component:finger.code","path":"Observation.component.code","patternCodeableConcept":{"coding":[{"code":"f"}]}},
	{"id":"Observation.component:finger.value[x]","path":"Observation.component.value[x]","min":1,"type":[{"code":"string"}]}]}}`

const bedsideSet = `{"resourceType":"ValueSet","url":"https://x.example/vs","compose":{"include":[
	{"system":"http://dicom.nema.org/resources/ontology/DCM","concept":[{"code":"122033"}]}]}}`

func TestProfileOfOurOwn(t *testing.T) {
	t.Parallel()
	guide, err := definitions.R4().ReadGuide([]byte(bedside), []byte(bedsideSet))
	require.NoError(t, err)
	v := validate.New(validate.Options{
		Guide: guide,
		Coded: map[string]string{"https://fhirsvc.example/fhir/CodeSystem/radial-compression|access-site-bleeding": "https://x.example/bedside"},
	})
	component := func(codes ...string) string {
		var list []string
		for _, c := range codes {
			list = append(list, `{"code":{"coding":[{"code":"`+c+`"}]},"valueString":"x"}`)
		}
		return `"component":[` + strings.Join(list, ",") + `],"issued"`
	}
	tests := []struct{ name, old, new, want string }{
		{"as it should be", "", "", ""},
		{"invariant", `"issued": "2026-03-01T10:32:05.120+01:00",`, "", "bed-1 Observation"},
		{"minimum", `"performer": [
    {
      "reference": "Practitioner/pr1"
    }
  ],`, "", "profile Observation.performer"},
		{"maximum", `"reference": "Practitioner/pr1"
    }`, `"reference": "Practitioner/pr1"},{"reference":"Practitioner/pr2"}`, "profile Observation.performer"},
		{"not allowed", `"issued"`, `"method":{"text":"x"},"issued"`, "profile Observation.method"},
		{"required set", `"122033"`, `"122034"`, "required Observation.value.ofType(CodeableConcept)"},
		{"slices in order", `"issued"`, component("m", "f"), ""},
		{"slices out of order", `"issued"`, component("f", "m"), "slicing Observation.component[1]"},
		{"slice too often", `"issued"`, component("m", "m"), "profile Observation.component"},
		{"none of the slices", `"issued"`, component("x"), "slicing Observation.component[0]"},
		{"minimum within a slice", `"issued"`, `"component":[{"code":{"coding":[{"code":"f"}]}}],"issued"`, "profile Observation.component[0].value"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			body := mustRead(t, "Observation-site")
			require.Contains(t, body, tt.old)
			var got []string
			for _, i := range v.Resource([]byte(strings.Replace(body, tt.old, tt.new, 1))) {
				if outcome.HasErrors([]outcome.Issue{i}) {
					got = append(got, bareRule(i)+" "+i.Expression)
				}
			}
			require.Equal(t, tt.want, strings.Join(got, ", "))
		})
	}
}

// bareRule is an issue's rule without the profile before it.
func bareRule(i outcome.Issue) string { return i.Rule[strings.LastIndexByte(i.Rule, '#')+1:] }

// TestClaimedProfileOnAPublishedBase applies a profile and the published one beneath.
func TestClaimedProfileOnAPublishedBase(t *testing.T) {
	t.Parallel()
	const profile = `{"resourceType":"StructureDefinition","url":"https://x.example/hr","name":"HR","type":"Observation",
		"derivation":"constraint","baseDefinition":"http://hl7.org/fhir/StructureDefinition/heartrate",
		"differential":{"element":[{"id":"Observation.device","path":"Observation.device","min":1}]}}`
	guide, err := definitions.R4().ReadGuide([]byte(profile))
	require.NoError(t, err)
	v := validate.New(validate.Options{Guide: guide})
	body := strings.Replace(mustRead(t, "Observation-heart-rate"), `"status"`, `"meta":{"profile":["https://x.example/hr"]},"status"`, 1)
	issues := v.Resource([]byte(strings.Replace(body, `"/min"`, `"Hz"`, 1)))
	var rules []string
	for _, i := range issues {
		rules = append(rules, bareRule(i))
	}
	require.ElementsMatch(t, []string{"profile", "fixed"}, rules, "%v", issues)
}

func TestUnknownRequiredProfileIsRefused(t *testing.T) {
	t.Parallel()
	require.Panics(t, func() {
		validate.New(validate.Options{Require: map[string][]string{"Task": {"https://x.example/none"}}})
	})
	require.Panics(t, func() {
		validate.New(validate.Options{Coded: map[string]string{"x|y": "http://hl7.org/fhir/StructureDefinition/actualgroup"}})
	})
}
