package validate_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/validate"
)

// TestRemarks covers what is reported and refuses nothing.
func TestRemarks(t *testing.T) {
	t.Parallel()
	const warning, information = outcome.SeverityWarning, outcome.SeverityInformation
	tests := []struct {
		name, file, old, new, rule string
		severity                   outcome.Severity
	}{
		{"extensible binding", "Observation-site", `"issued"`, `"dataAbsentReason": {"coding": [{"system": "https://x.example/cs", "code": "lost"}]}, "issued"`, "extensible", warning},
		{"code that its system lacks", "Provenance", `"code": "author"`, `"code": "writer"`, "code-system", warning},
		{"system that is not absolute", "Provenance", `"system": "http://terminology.hl7.org/CodeSystem/provenance-participant-type"`, `"system": "participant"`, "coding-system", warning},
		{"entry without fullUrl", "Bundle-searchset", `"fullUrl": "https://ehr.example/fhir/Task/t1",`, ``, "fullUrl", warning},
		{"profile that is not known", "Task", `"versionId"`, `"profile": ["https://x.example/p"], "versionId"`, "profile", information},
		{"canonical that leads nowhere", "CarePlan", `"https://fhirsvc.example/fhir/PlanDefinition/diagnostic|1.0.0"`, `"#p1"`, "canonical", warning},
		{"value set that is not known whole", "CapabilityStatement", `"application/fhir+json"`, `"no-type"`, "binding", information},
	}
	v := validate.New(validate.Options{})
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			body := mustRead(t, tt.file)
			require.Contains(t, body, tt.old)
			var got []outcome.Severity
			for _, i := range v.Resource([]byte(strings.Replace(body, tt.old, tt.new, 1))) {
				if i.Rule == tt.rule {
					got = append(got, i.Severity)
				}
			}
			require.Equal(t, []outcome.Severity{tt.severity}, got)
		})
	}
}

// TestNarrativeIsAskedForOnRequest covers dom-6, which R4 marks as best practice.
func TestNarrativeIsAskedForOnRequest(t *testing.T) {
	t.Parallel()
	body := []byte(mustRead(t, "Task"))
	require.Empty(t, validate.New(validate.Options{}).Resource(body))
	issues := validate.New(validate.Options{BestPractice: true}).Resource(body)
	require.Len(t, issues, 1)
	require.Equal(t, "dom-6", issues[0].Rule)
	require.Equal(t, outcome.SeverityWarning, issues[0].Severity)
}

// TestParsedIsDocumentWithoutTheParsing lets a caller that read the bytes itself
// validate them too.
func TestParsedIsDocumentWithoutTheParsing(t *testing.T) {
	t.Parallel()
	v := validate.New(validate.Options{})
	body := []byte(strings.Replace(mustRead(t, "Task"), `"intent": "order",`, ``, 1))
	doc, want := v.Document(body)
	require.NotEmpty(t, want)
	require.Equal(t, want, v.Parsed(doc))

	doc, issues := v.Document([]byte(`{"resourceType":`))
	require.Nil(t, doc)
	require.Len(t, issues, 1)
	require.Equal(t, outcome.SeverityFatal, issues[0].Severity)
}

// TestErrorsAreBounded wants a bound that says so, and remarks that hide no error.
func TestErrorsAreBounded(t *testing.T) {
	t.Parallel()
	identifiers := strings.TrimSuffix(strings.Repeat(`{"use":"x"},`, 20), ",")
	issues := validate.New(validate.Options{MaxIssues: 5}).Resource([]byte(`{"resourceType":"Patient","identifier":[` + identifiers + `]}`))
	require.Len(t, issues, 6)
	require.Equal(t, outcome.CodeTooCostly, issues[5].Code)
	require.Contains(t, issues[5].Details, "more errors than the 5 shown")

	codings := strings.TrimSuffix(strings.Repeat(`{"coding":[{"system":"x","code":"y"}]},`, 20), ",")
	issues = validate.New(validate.Options{MaxIssues: 5}).Resource([]byte(`{"resourceType":"Observation","status":"x","category":[` + codings + `],"code":{"text":"a"}}`))
	require.Len(t, issues, 6)
	require.True(t, outcome.HasErrors(issues))
}
