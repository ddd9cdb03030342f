package validate_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/validate"
)

func mustRead(t testing.TB, name string) string {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("testdata", "valid", name+".json"))
	require.NoError(t, err)
	return string(b)
}

// ownCodes makes the code system of the tests' resources known by name.
func ownCodes() definitions.Guide {
	return definitions.Guide{Systems: []string{"https://fhirsvc.example/fhir/CodeSystem/radial-compression"}}
}

func TestValidResourcesHaveNoIssues(t *testing.T) {
	t.Parallel()
	files, err := filepath.Glob("testdata/valid/*.json")
	require.NoError(t, err)
	require.Greater(t, len(files), 15)
	v := validate.New(validate.Options{Guide: ownCodes()})
	for _, f := range files {
		name := strings.TrimSuffix(filepath.Base(f), ".json")
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			doc, issues := v.Document([]byte(mustRead(t, name)))
			require.NotNil(t, doc)
			require.Empty(t, issues)
		})
	}
}

// TestAttachmentThatFits has the size of its data, and their SHA-1 in base64
// (printf hello | openssl sha1 -binary | base64).
func TestAttachmentThatFits(t *testing.T) {
	t.Parallel()
	body := strings.Replace(mustRead(t, "Patient"), `"active": true`,
		`"photo": [{"contentType": "text/plain", "data": "aGVs bG8=", "size": 5, "hash": "qvTGHdzF6KLavt4PO0gs2a6pQ00="}], "active": true`, 1)
	require.Empty(t, validate.New(validate.Options{}).Resource([]byte(body)))
}

// fault is one edit of a valid resource and the error it must give. Where it breaks
// other rules too, more names them.
type fault struct {
	name, file, old, new string
	rule, at             string
	code                 outcome.Code
	more                 string
}

func (f fault) run(t *testing.T, v *validate.Validator) {
	body := mustRead(t, f.file)
	require.Contains(t, body, f.old)
	var got, others []string
	for _, i := range v.Resource([]byte(strings.Replace(body, f.old, f.new, 1))) {
		if !outcome.HasErrors([]outcome.Issue{i}) {
			continue
		}
		require.NotZero(t, i.Line)
		line := strings.Join([]string{i.Rule, i.Expression, string(i.Code)}, " ")
		if i.Rule == f.rule && i.Expression == f.at {
			got = append(got, line)
		} else {
			others = append(others, i.Rule)
		}
	}
	require.Equal(t, []string{strings.Join([]string{f.rule, f.at, string(f.code)}, " ")}, got, "others: %v", others)
	require.Equal(t, f.more, strings.Join(others, " "))
}

// Each row cites the page of hl7.org/fhir/R4 that the rule stands on.
func TestFaults(t *testing.T) {
	t.Parallel()
	v := validate.New(validate.Options{})
	groups := map[string][]fault{"structure": structureFaults(), "format": formatFaults(), "rule": ruleFaults(), "bundle": bundleFaults(), "profile": profileFaults()}
	for group, faults := range groups {
		for _, f := range faults {
			t.Run(group+"/"+f.name, func(t *testing.T) {
				t.Parallel()
				f.run(t, v)
			})
		}
	}
}

// json.html, datatypes.html, formats.html#choice, terminologies.html#required, references.html
func structureFaults() []fault {
	return []fault{
		{"missing element", "Task", `"intent": "order",`, ``, "cardinality", "Task.intent", outcome.CodeRequired, ""},
		{"unknown element", "Task", `"intent"`, `"urgency": "high", "intent"`, "unknown-element", "Task", outcome.CodeStructure, ""},
		{"unknown nested element", "Procedure", `"actor"`, `"who": {"display": "x"}, "actor"`, "unknown-element", "Procedure.performer[0]", outcome.CodeStructure, ""},
		{"no resource type", "Task", `"resourceType": "Task",`, ``, "resourceType", "Resource", outcome.CodeStructure, ""},
		{"wrong resource type", "Task", `"Task"`, `"Job"`, "resourceType", "Job", outcome.CodeStructure, ""},
		{"abstract resource type", "Task", `"Task"`, `"DomainResource"`, "resourceType", "DomainResource", outcome.CodeStructure, ""},
		{"array where one is allowed", "Task", `"status": "ready"`, `"status": ["ready"]`, "array", "Task.status", outcome.CodeStructure, ""},
		{"one where an array is wanted", "Practitioner", `"given": [`, `"prefix": "Dr", "given": [`, "array", "Practitioner.name[0].prefix", outcome.CodeStructure, ""},
		{"two values of a choice", "Patient", `"deceasedBoolean": false,`, `"deceasedBoolean": false, "deceasedDateTime": "2026",`, "choice", "Patient", outcome.CodeStructure, ""},
		{"choice of a type not allowed", "Patient", `"deceasedBoolean": false`, `"deceasedString": "no"`, "unknown-element", "Patient", outcome.CodeStructure, ""},
		{"string for a boolean", "Patient", `"active": true`, `"active": "true"`, "type", "Patient.active", outcome.CodeStructure, ""},
		{"number for a string", "Practitioner", `"family": "Holm"`, `"family": 7`, "type", "Practitioner.name[0].family", outcome.CodeStructure, ""},
		{"string for a number", "Observation-heart-rate", `"value": 72`, `"value": "72"`, "type", "Observation.value.ofType(Quantity).value", outcome.CodeStructure, ""},
		{"string for an object", "Task", `"for": {
    "reference": "Patient/p1"
  }`, `"for": "Patient/p1"`, "type", "Task.for", outcome.CodeStructure, ""},
		{"companion of a complex element", "Practitioner", `"active": true`, `"_name": {"id": "x"}, "active": true`, "companion", "Practitioner.name", outcome.CodeStructure, ""},
		{"companion that is no object", "Practitioner", `"active": true`, `"_active": "x", "active": true`, "companion", "Practitioner.active", outcome.CodeStructure, ""},
		{"null item twice", "Patient", `"given": [
        "Alma",
        null
      ],
      "_given": [
        null,`, `"given": [
        "Alma",
        null, null
      ],
      "_given": [
        null,`, "null", "Patient.name[0].given[2]", outcome.CodeInvalid, ""},
		{"required code", "Task", `"status": "ready"`, `"status": "Ready"`, "required", "Task.status", outcome.CodeCodeInvalid, ""},
		{"required nested code", "Patient", `"use": "official",
      "family"`, `"use": "main", "family"`, "required", "Patient.name[0].use", outcome.CodeCodeInvalid, ""},
		{"no language tag", "Practitioner", `"active": true`, `"language": "de_CH", "active": true`, "required", "Practitioner.language", outcome.CodeCodeInvalid, ""},
		{"wrong reference target", "Task", `"encounter": {
    "reference": "Encounter/e1"`, `"encounter": {
    "reference": "Patient/p1"`, "reference-target", "Task.encounter", outcome.CodeStructure, ""},
		{"wrong absolute reference target", "Flag", `"reference": "Patient/p1"`, `"reference": "https://ehr.example/fhir/Task/t1"`, "reference-target", "Flag.subject", outcome.CodeStructure, ""},
		{"reference and its type disagree", "Task", `"reference": "Procedure/pc1"`, `"reference": "Procedure/pc1", "type": "Observation"`, "reference-type", "Task.reasonReference.type", outcome.CodeInvalid, ""},
		{"wrong contained target", "Patient", `"resourceType": "Organization",
      "id": "o1",
      "name": "Clinic"`, `"resourceType": "Practitioner", "id": "o1"`, "reference-target", "Patient.managingOrganization", outcome.CodeStructure, ""},
	}
}

// datatypes.html#primitive
func formatFaults() []fault {
	const started = `"start": "2026-03-01T09:00:00+01:00"`
	at := "Encounter.period.start"
	return []fault{
		{"time without offset", "Encounter", started, `"start": "2026-03-01T09:00:00"`, "dateTime", at, outcome.CodeValue, "per-1"},
		{"time without seconds", "Encounter", started, `"start": "2026-03-01T09:00+01:00"`, "dateTime", at, outcome.CodeValue, ""},
		{"no such day", "Encounter", started, `"start": "2026-02-29"`, "dateTime", at, outcome.CodeValue, "per-1"},
		{"no such hour", "Encounter", started, `"start": "2026-03-01T24:00:00Z"`, "dateTime", at, outcome.CodeValue, "per-1"},
		{"date with spaces", "Patient", `"birthDate": "1957-02"`, `"birthDate": "1957-02 "`, "date", "Patient.birthDate", outcome.CodeValue, ""},
		{"dateTime for a date", "Patient", `"birthDate": "1957-02"`, `"birthDate": "1957-02-14T00:00:00Z"`, "date", "Patient.birthDate", outcome.CodeValue, ""},
		{"date for an instant", "Provenance", `"recorded": "2026-03-01T10:20:00Z"`, `"recorded": "2026-03-01"`, "instant", "Provenance.recorded", outcome.CodeValue, ""},
		{"empty string", "Practitioner", `"family": "Holm"`, `"family": ""`, "string", "Practitioner.name[0].family", outcome.CodeValue, ""},
		{"code with two spaces", "Observation-site", `"code": "122033"`, `"code": "12  2033"`, "code", "Observation.value.ofType(CodeableConcept).coding[0].code", outcome.CodeValue, ""},
		{"uri with a space", "Procedure", `"https://lab.example/case"`, `"https://lab.example/ case"`, "uri", "Procedure.identifier[0].system", outcome.CodeValue, ""},
		{"malformed UUID", "Procedure", `"https://lab.example/case"`, `"urn:uuid:6a2ee390-978e-42c6-8f88-c17dff3bd8a"`, "uri", "Procedure.identifier[0].system", outcome.CodeValue, ""},
		{"id with an underscore", "Task", `"id": "t1"`, `"id": "t_1"`, "id", "Task.id", outcome.CodeValue, ""},
		{"id too long", "Task", `"id": "t1"`, `"id": "` + strings.Repeat("x", 65) + `"`, "id", "Task.id", outcome.CodeValue, ""},
		{"negative unsignedInt", "Bundle-searchset", `"total": 1`, `"total": -1`, "unsignedInt", "Bundle.total", outcome.CodeValue, ""},
		{"sign for an unsignedInt", "Bundle-searchset", `"total": 1`, `"total": -0`, "unsignedInt", "Bundle.total", outcome.CodeValue, ""},
		{"tab within a code", "Provenance", `"code": "author"`, `"code": "the\tauthor"`, "code", "Provenance.agent[0].type.coding[0].code", outcome.CodeValue, ""},
		{"fraction for an integer", "Bundle-searchset", `"total": 1`, `"total": 1.0`, "unsignedInt", "Bundle.total", outcome.CodeValue, ""},
		{"integer too large", "Bundle-searchset", `"total": 1`, `"total": 2147483648`, "unsignedInt", "Bundle.total", outcome.CodeValue, ""},
	}
}

// domainresource.html#invs, references.html, narrative.html#rules, and the pages of each resource
func ruleFaults() []fault {
	return []fault{
		{"ele-1", "Practitioner", `"text": "Cardiologist"`, `"id": "x"`, "ele-1", "Practitioner.qualification[0].code", outcome.CodeInvariant, ""},
		{"size of an attachment", "Patient", `"active": true`, `"photo": [{"contentType": "text/plain", "data": "aGVsbG8=", "size": 4}], "active": true`, "attachment-size", "Patient.photo[0].size", outcome.CodeInvalid, ""},
		{"hash of an attachment", "Patient", `"active": true`, `"photo": [{"contentType": "text/plain", "data": "aGVsbG8=", "hash": "qvTGHdzF6KLavt4PO0gs2a6pQ01="}], "active": true`, "attachment-hash", "Patient.photo[0].hash", outcome.CodeInvalid, ""},
		{"hash in hexadecimal", "Patient", `"active": true`, `"photo": [{"contentType": "text/plain", "data": "aGVsbG8=", "hash": "aaf4c61ddcc5e8a2dabede0f3b482cd9aea9434d"}], "active": true`, "attachment-hash", "Patient.photo[0].hash", outcome.CodeInvalid, ""},
		{"ext-1 both", "Patient", `"valueCode": "unknown"`, `"valueCode": "unknown", "extension": [{"url": "x", "valueCode": "y"}]`, "ext-1", "Patient.name[0].given[1].extension[0]", outcome.CodeInvariant, "profile"},
		{"extension url", "Practitioner", `"active": true`, `"extension": [{"url": "x", "valueCode": "y"}], "active": true`, "extension-url", "Practitioner.extension[0].url", outcome.CodeInvalid, ""},
		{"extension of another type", "Patient", `"valueDateTime": "1957-02-14T14:35:45-05:00"`, `"valueString": "dawn"`, "profile", "Patient.birthDate.extension[0].value.ofType(string)", outcome.CodeStructure, ""},
		{"ref-1", "Patient", `"reference": "#o1"`, `"reference": "#o2"`, "ref-1", "Patient.managingOrganization.reference", outcome.CodeInvariant, "dom-3"},
		{"dom-3", "Patient", `"reference": "#o1"`, `"reference": "Organization/o1"`, "dom-3", "Patient.contained[0]", outcome.CodeInvariant, ""},
		{"dom-4", "Patient", `"id": "o1",`, `"id": "o1", "meta": {"versionId": "1"},`, "dom-4", "Patient.contained[0].meta", outcome.CodeInvariant, ""},
		{"dom-5", "Patient", `"id": "o1",`, `"id": "o1", "meta": {"security": [{"code": "R"}]},`, "dom-5", "Patient.contained[0].meta", outcome.CodeInvariant, ""},
		{"dom-2", "Patient", `"name": "Clinic"`, `"name": "Clinic", "partOf": {"reference": "#o1"}, "contained": [{"resourceType": "Organization", "id": "o1", "name": "x"}]`, "dom-2", "Patient.contained[0].contained", outcome.CodeInvariant, ""},
		{"script in a narrative", "Patient", `<p>Check`, `<script>x</script><p>Check`, "txt-1", "Patient.text.div", outcome.CodeInvariant, ""},
		{"event in a narrative", "Patient", `<p>Check`, `<p onclick='x'>Check`, "txt-1", "Patient.text.div", outcome.CodeInvariant, ""},
		{"narrative not closed", "Patient", `site</p>`, `site`, "txt-1", "Patient.text.div", outcome.CodeInvariant, ""},
		{"HTML entity in a narrative", "Patient", `Check the`, `Check&nbsp;the`, "txt-1", "Patient.text.div", outcome.CodeInvariant, ""},
		{"narrative without namespace", "Patient", ` xmlns=\"http://www.w3.org/1999/xhtml\"`, ``, "txt-1", "Patient.text.div", outcome.CodeInvariant, ""},
		{"empty narrative", "Patient", `Check the puncture site`, ` `, "txt-2", "Patient.text.div", outcome.CodeInvariant, ""},
		{"per-1", "Encounter", `"end": "2026-03-01T18:00:00+01:00"`, `"end": "2026-03-01T08:00:00+01:00"`, "per-1", "Encounter.period", outcome.CodeInvariant, ""},
		{"cpt-2", "Patient", `"system": "phone",`, ``, "cpt-2", "Patient.telecom[0]", outcome.CodeInvariant, ""},
		{"qty-3", "Task", `"system": "http://unitsofmeasure.org",`, ``, "qty-3", "Task.input[0].value.ofType(Quantity)", outcome.CodeInvariant, ""},
		{"inv-1", "Task", `"lastModified": "2026-03-01T10:20:00+01:00"`, `"lastModified": "2026-02-01T10:20:00+01:00"`, "inv-1", "Task", outcome.CodeInvariant, ""},
		{"cpl-3", "CarePlan", `"activity": [
    {`, `"activity": [
    {"detail": {"status": "not-started"},`, "cpl-3", "CarePlan.activity[0]", outcome.CodeInvariant, ""},
		{"obs-6", "Observation-site", `"issued"`, `"dataAbsentReason": {"text": "x"}, "issued"`, "obs-6", "Observation", outcome.CodeInvariant, ""},
		{"obs-7", "Observation-site", `"issued"`, `"component": [{"code": {"coding": [{"system": "https://fhirsvc.example/fhir/CodeSystem/radial-compression", "code": "access-site-bleeding"}]}}], "issued"`, "obs-7", "Observation", outcome.CodeInvariant, ""},
		{"obs-3", "Observation-site", `"issued"`, `"referenceRange": [{"type": {"text": "normal"}}], "issued"`, "obs-3", "Observation.referenceRange[0]", outcome.CodeInvariant, ""},
		{"cpb-1", "CapabilityStatement", `"rest"`, `"acceptUnknown": "no", "rest"`, "unknown-element", "CapabilityStatement", outcome.CodeStructure, ""},
		{"que-1", "Questionnaire", `"type": "boolean"`, `"type": "group"`, "que-1", "Questionnaire.item[0]", outcome.CodeInvariant, ""},
		{"que-2", "Questionnaire", `"linkId": "2"`, `"linkId": "1"`, "que-2", "Questionnaire", outcome.CodeInvariant, ""},
		{"que-7", "Questionnaire", `"operator": "="`, `"operator": "exists", "answerString": "no"`, "que-7", "Questionnaire.item[1].enableWhen[0]", outcome.CodeInvariant, "choice"},
	}
}

// bundle.html, valueset-search-entry-mode.html
func bundleFaults() []fault {
	const msg, tx, set = "Bundle-message", "Bundle-transaction", "Bundle-searchset"
	return []fault{
		{"bdl-12 first is no header", msg, `"resourceType": "MessageHeader"`, `"resourceType": "Basic", "code": {"text": "x"}`, "bdl-12", "Bundle", outcome.CodeInvariant, "unknown-element unknown-element unknown-element"},
		{"bdl-1", set, `"type": "searchset"`, `"type": "collection"`, "bdl-1", "Bundle", outcome.CodeInvariant, "bdl-2"},
		{"bdl-3", tx, `"request": {
        "method": "POST",
        "url": "Observation"
      }`, `"search": {"mode": "match"}`, "bdl-3", "Bundle", outcome.CodeInvariant, "bdl-2"},
		{"bdl-7", msg, `"fullUrl": "urn:uuid:00000000-0000-4000-8000-000000000002"`, `"fullUrl": "urn:uuid:00000000-0000-4000-8000-000000000001"`, "bdl-7", "Bundle", outcome.CodeInvariant, ""},
		{"bdl-8", set, `fhir/Task/t1"`, `fhir/Task/t1/_history/3"`, "bdl-8", "Bundle.entry[0]", outcome.CodeInvariant, ""},
		{"fullUrl is relative", set, `"fullUrl": "https://ehr.example/fhir/Task/t1"`, `"fullUrl": "Task/t1"`, "fullUrl", "Bundle.entry[0].fullUrl", outcome.CodeInvalid, ""},
		{"fullUrl disagrees", set, `"fullUrl": "https://ehr.example/fhir/Task/t1"`, `"fullUrl": "https://ehr.example/fhir/Task/t2"`, "fullUrl", "Bundle.entry[0].fullUrl", outcome.CodeInvalid, ""},
		{"fullUrl is no UUID", msg, `"fullUrl": "urn:uuid:00000000-0000-4000-8000-000000000002"`, `"fullUrl": "urn:uuid:7"`, "uri", "Bundle.entry[1].fullUrl", outcome.CodeValue, ""},
		{"target through a fullUrl", msg, `"subject": {
          "reference": "urn:uuid:00000000-0000-4000-8000-000000000002"`, `"subject": {
          "reference": "urn:uuid:00000000-0000-4000-8000-000000000001"`, "reference-target", "Bundle.entry[2].resource.subject", outcome.CodeStructure, ""},
		{"outcome of another type", set, `"mode": "match"`, `"mode": "outcome"`, "search-mode", "Bundle.entry[0].resource", outcome.CodeInvalid, ""},
		{"search result without id", set, `"id": "t1",`, ``, "search-id", "Bundle.entry[0].resource", outcome.CodeInvalid, ""},
		{"document without its subject", "Bundle-document", `"reference": "urn:uuid:00000000-0000-4000-8000-000000000002"`, `"reference": "Patient/p1"`, "document", "Bundle.entry[0].resource.subject", outcome.CodeRequired, ""},
		{"message without its focus", msg, `"focus": [
          {
            "reference": "urn:uuid:00000000-0000-4000-8000-000000000003"`, `"focus": [
          {
            "reference": "urn:uuid:00000000-0000-4000-8000-000000000009"`, "message", "Bundle.entry[0].resource.focus", outcome.CodeRequired, ""},
		{"link twice", set, `"link": [
    {`, `"link": [
    {"relation": "self", "url": "https://ehr.example/x"}, {`, "bundle-link", "Bundle.link", outcome.CodeInvalid, ""},
		{"fault within an entry", set, `"intent": "order",`, ``, "cardinality", "Bundle.entry[0].resource.intent", outcome.CodeRequired, ""},
	}
}

// observation-vitalsigns.html
func profileFaults() []fault {
	const hr, bp = "Observation-heart-rate", "Observation-blood-pressure"
	return []fault{
		{"vital sign without category", hr, `"vital-signs"`, `"exam"`, "profile", "Observation.category", outcome.CodeRequired, ""},
		{"vital sign of a Group", hr, `"reference": "Patient/p1"`, `"reference": "Group/g1"`, "reference-target", "Observation.subject", outcome.CodeStructure, ""},
		{"vital sign without time", hr, `"effectiveDateTime": "2026-03-01T10:30:00+01:00",`, ``, "profile", "Observation.effective", outcome.CodeRequired, ""},
		{"vs-1", hr, `"effectiveDateTime": "2026-03-01T10:30:00+01:00"`, `"effectiveDateTime": "2026-03"`, "vs-1", "Observation.effective.ofType(dateTime)", outcome.CodeInvariant, ""},
		{"vs-2", hr, `"valueQuantity": {
    "value": 72,
    "unit": "beats/minute",
    "system": "http://unitsofmeasure.org",
    "code": "/min"
  },`, ``, "vs-2", "Observation", outcome.CodeInvariant, ""},
		{"wrong unit", hr, `"code": "/min"`, `"code": "Hz"`, "fixed", "Observation.value.ofType(Quantity).code", outcome.CodeValue, ""},
		{"no unit system", hr, `"system": "http://unitsofmeasure.org",
    "code": "/min"`, `"system": "http://unitsofmeasure.org"`, "profile", "Observation.value.ofType(Quantity).code", outcome.CodeRequired, ""},
		{"value of another type", hr, `"valueQuantity": {
    "value": 72,
    "unit": "beats/minute",
    "system": "http://unitsofmeasure.org",
    "code": "/min"
  }`, `"valueString": "72"`, "profile", "Observation.value.ofType(string)", outcome.CodeStructure, "slicing"},
		{"vs-3", bp, `"valueQuantity": {
        "value": 76,
        "unit": "mmHg",
        "system": "http://unitsofmeasure.org",
        "code": "mm[Hg]"
      }`, `"interpretation": [{"text": "x"}]`, "vs-3", "Observation.component[1]", outcome.CodeInvariant, ""},
		{"no diastolic", bp, `"8462-4"`, `"8478-0"`, "profile", "Observation.component", outcome.CodeRequired, ""},
		{"claimed type", "Observation-site", `"status"`, `"meta": {"profile": ["http://hl7.org/fhir/StructureDefinition/Patient"]}, "status"`, "profile", "Observation.meta", outcome.CodeInvalid, ""},
		{"claimed profile", "Observation-site", `"status"`, `"meta": {"profile": ["http://hl7.org/fhir/StructureDefinition/Group-x", "http://hl7.org/fhir/StructureDefinition/actualgroup"]}, "status"`, "profile", "Observation.meta", outcome.CodeInvalid, ""},
	}
}
