package episode

import (
	"errors"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/profiles"
)

// What a profile finds in a finding that can be understood is told, and it counts.
func TestFindingIsAdvised(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	r, err := b.observe(finding{
		code: "radial-patency-test", value: coded("https://fhirsvc.example/fhir/CodeSystem/radial-compression", "patent"),
		more: `"component":[{"code":{"coding":[{"system":"https://fhirsvc.example/fhir/CodeSystem/radial-compression","code":"barbeau-type"}]},
			"valueCodeableConcept":{"coding":[{"system":"https://fhirsvc.example/fhir/CodeSystem/radial-compression","code":"E"}]}}]`,
	})
	require.NoError(t, err, issuesOf(err))
	require.NotEmpty(t, b.loaded(b.theEpisode()).core.Findings, "it counts")
	require.Len(t, r.Warnings, 1)
	require.Equal(t, outcome.SeverityWarning, r.Warnings[0].Severity)
	require.Equal(t, "Observation.component[0].value.ofType(CodeableConcept)", r.Warnings[0].Expression)
	require.Contains(t, r.Warnings[0].Details, "ValueSet/barbeau-type")
}

// Where the decoder refuses, it is not told twice, and what else is wrong stands beside.
func TestRefusalIsToldOnce(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	_, err := b.observe(finding{code: "access-site-bleeding", value: coded("https://fhirsvc.example/fhir/CodeSystem/radial-compression", "patent")})
	var e *outcome.Error
	require.True(t, errors.As(err, &e))
	require.Len(t, e.Issues, 1, "%v", e.Issues)
	require.Equal(t, "Observation.value", e.Issues[0].Expression)
}

// A rejected message tells at once what else its sender should mend.
func TestRejectedMessageIsAdvised(t *testing.T) {
	b := newBench(t, nil)
	e := newEvent()
	e.beside = []string{`{"fullUrl":"urn:uuid:00000000-0000-4000-8000-000000000005","resource":{"resourceType":"Observation","status":"final",
		"code":{"coding":[{"system":"https://fhirsvc.example/fhir/CodeSystem/radial-compression","code":"band-state"}]},
		"subject":{"identifier":{"system":"` + patients + `","value":"4711"}},"valueString":"on"}}`}
	e.status = "in-progress"
	_, err := b.send(e)
	var rejected *outcome.Error
	require.True(t, errors.As(err, &rejected), "%v", err)
	var refused, advised int
	for _, i := range rejected.Issues {
		if i.Severity == outcome.SeverityError {
			refused++
		} else if profiles.IsAdvice(i.Rule) {
			advised++
		}
	}
	require.Equal(t, 1, refused, "%v", rejected.Issues)
	require.Positive(t, advised, "%v", rejected.Issues)
}

func TestAdviceIsWhatWasNotSaid(t *testing.T) {
	rule := profiles.Base + "band-state#required"
	issue := func(expression, rule string) outcome.Issue { return outcome.Issue{Expression: expression, Rule: rule} }
	said := []outcome.Issue{issue("Observation.value", "")}
	tests := []struct {
		name, at, rule string
		want           bool
	}{
		{"another element", "Observation.method", rule, true},
		{"another element of a like name", "Observation.values", rule, true},
		{"the same element", "Observation.value", rule, false},
		{"the same, with its type", "Observation.value.ofType(Quantity)", rule, false},
		{"below it", "Observation.value.ofType(Quantity).code", rule, false},
		{"around it", "Observation", rule, false},
		{"R4's own remark", "Observation.method", "extensible", false},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got := advice([]outcome.Issue{issue(tt.at, tt.rule)}, said)
			require.Equal(t, tt.want, len(got) == 1)
		})
	}
}
