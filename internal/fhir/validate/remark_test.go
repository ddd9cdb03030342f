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
	require.Empty(t, validate.New(validate.Options{Guide: ownCodes()}).Resource(body))
	issues := validate.New(validate.Options{Guide: ownCodes(), BestPractice: true}).Resource(body)
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

// codings is an Observation of which each place that takes a code has one.
func codings(system, rest string) []byte {
	coding := `{"system":"` + system + `"` + rest + `}`
	concept := `{"coding":[` + coding + `]}`
	quantity := `{"value":1,"unit":"x","system":"` + system + `"` + rest + `}`
	if strings.Contains(rest, "display") {
		quantity = `{"value":1}`
	}
	return []byte(`{"resourceType":"Observation","status":"final","meta":{"tag":[` + coding + `]},"code":` + concept + `,
		"extension":[{"url":"https://x.example/e","valueCoding":` + coding + `}],"valueQuantity":` + quantity + `,
		"component":[{"code":` + concept + `,"valueCodeableConcept":` + concept + `}]}`)
}

// TestCodesOfEveryElement looks for the remarks on codes wherever a code can stand
// (hl7.org/fhir/R4/terminologies.html#system, datatypes-definitions.html#Coding.display).
func TestCodesOfEveryElement(t *testing.T) {
	t.Parallel()
	const gender = "http://hl7.org/fhir/administrative-gender"
	tests := []struct {
		name, system, rest, rule string
		severity                 outcome.Severity
		count                    int
	}{
		{"unknown system", "https://x.example/cs", `,"code":"a"`, "unknown-system", outcome.SeverityInformation, 6},
		{"unknown system, no code", "https://x.example/cs", ``, "unknown-system", outcome.SeverityInformation, 6},
		{"SNOMED CT", "http://snomed.info/sct", `,"code":"a"`, "unknown-system", "", 0},
		{"LOINC", "http://loinc.org", `,"code":"a"`, "unknown-system", "", 0},
		{"UCUM", "http://unitsofmeasure.org", `,"code":"a"`, "unknown-system", "", 0},
		{"named by R4's value sets", "http://www.ama-assn.org/go/cpt", `,"code":"a"`, "unknown-system", "", 0},
		{"code that its system has", gender, `,"code":"male"`, "code-system", "", 0},
		{"code that its system lacks", gender, `,"code":"man"`, "code-system", outcome.SeverityWarning, 6},
		{"its display", gender, `,"code":"male","display":"Male"`, "display", "", 0},
		{"its display in capitals and blanks", gender, `,"code":"male","display":"MA\u004cE "`, "display", "", 0},
		{"another display", gender, `,"code":"male","display":"Female"`, "display", outcome.SeverityWarning, 5},
		{"display of an unknown code", gender, `,"code":"man","display":"Male"`, "display", "", 0},
		{"a translation", "http://terminology.hl7.org/CodeSystem/v2-0001", `,"code":"F","display":"Vrouw"`, "display", "", 0},
		{"no translation", "http://terminology.hl7.org/CodeSystem/v2-0001", `,"code":"F","display":"Weiblich?"`, "display", outcome.SeverityWarning, 5},
	}
	v := validate.New(validate.Options{})
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			got := 0
			for _, i := range v.Resource(codings(tt.system, tt.rest)) {
				if i.Rule == tt.rule {
					require.Equal(t, tt.severity, i.Severity)
					got++
				}
			}
			require.Equal(t, tt.count, got)
		})
	}
}

// TestUnknownSystemsDoNotFlood wants a bound that leaves room for other remarks.
func TestUnknownSystemsDoNotFlood(t *testing.T) {
	t.Parallel()
	tags := strings.TrimSuffix(strings.Repeat(`{"system":"https://x.example/cs","code":"a"},`, 500), ",")
	body := []byte(`{"resourceType":"Patient","meta":{"tag":[` + tags + `]},"maritalStatus":{"coding":[{"system":"x","code":"y"}]}}`)
	v := validate.New(validate.Options{})
	for range 2 { // the count starts anew with each text
		rules := map[string]int{}
		for _, i := range v.Resource(body) {
			rules[i.Rule]++
		}
		require.Equal(t, map[string]int{"unknown-system": 20, "coding-system": 1, "extensible": 1}, rules)
	}
}
