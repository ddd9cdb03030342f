package validate

import (
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
)

func mustTree(t *testing.T, body string) *tree.Node {
	t.Helper()
	doc, issues := tree.Parse([]byte(body))
	require.Empty(t, issues)
	return doc.Root
}

// R4 ElementDefinition.fixed[x] and pattern[x], hl7.org/fhir/R4/elementdefinition-definitions.html
func TestFixedAndPattern(t *testing.T) {
	t.Parallel()
	tests := []struct {
		said, value    string
		fixed, pattern bool
	}{
		{`"a"`, `"a"`, true, true},
		{`"a"`, `"A"`, false, false},
		{`1.0`, `1.00`, true, true},
		{`1.0`, `"1.0"`, false, false},
		{`true`, `true`, true, true},
		{`{"a":1,"b":"x"}`, `{"b":"x","a":1}`, true, true},
		{`{"a":1}`, `{"a":1,"b":2}`, false, true},
		{`{"a":1}`, `{"b":2}`, false, false},
		{`{"a":[{"b":1}]}`, `{"a":[{"b":2},{"b":1,"c":3}]}`, false, true},
		{`{"a":[1,2]}`, `{"a":[1,2]}`, true, true},
		{`{"a":[1,2]}`, `{"a":[2,1]}`, false, true},
		{`{"a":[1,2]}`, `{"a":[1]}`, false, false},
	}
	for _, tt := range tests {
		said, value := mustTree(t, tt.said), mustTree(t, tt.value)
		require.Equal(t, tt.fixed, sameValue(said, value), "fixed %s, %s", tt.said, tt.value)
		require.Equal(t, tt.pattern, hasPattern(said, value), "pattern %s, %s", tt.said, tt.value)
	}
	require.False(t, sameValue(mustTree(t, `1`), nil))
	require.Equal(t, `a "1" and "x", b c "true"`, valueText(mustTree(t, `{"a":[1,"x"],"b":{"c":true}}`)))
}

// TestDiscriminators slices Patient.identifier and Patient.extension in each way that
// R4 has (hl7.org/fhir/R4/profiling.html#discriminator).
func TestDiscriminators(t *testing.T) {
	t.Parallel()
	profile := func(element, discriminator, slice string) string {
		return `{"resourceType":"StructureDefinition","url":"https://x.example/p","name":"P","type":"Patient","derivation":"constraint",
			"baseDefinition":"http://hl7.org/fhir/StructureDefinition/Patient","differential":{"element":[
			{"id":"Patient.` + element + `","slicing":{"discriminator":[` + discriminator + `],"rules":"open"}},
			{"id":"Patient.` + element + `:s","sliceName":"s","min":1` + slice + `]}}`
	}
	value := profile("identifier", `{"type":"value","path":"system"}`, `},{"id":"Patient.identifier:s.system","fixedUri":"https://x.example/a"}`)
	within := profile("identifier", `{"type":"value","path":"type.coding.code"}`, `},{"id":"Patient.identifier:s.type","patternCodeableConcept":{"coding":[{"code":"MR"}]}}`)
	whole := profile("identifier", `{"type":"pattern","path":"$this"}`, `,"patternIdentifier":{"use":"official"}}`)
	bound := profile("maritalStatus", `{"type":"value","path":"$this"}`, `,"binding":{"strength":"required","valueSet":"http://hl7.org/fhir/ValueSet/marital-status"}}`)
	there := profile("identifier", `{"type":"exists","path":"period"}`, `},{"id":"Patient.identifier:s.period","min":1}`)
	absent := profile("identifier", `{"type":"exists","path":"period"}`, `},{"id":"Patient.identifier:s.period","max":"0"}`)
	typed := profile("deceased[x]", `{"type":"type","path":"$this"}`, `,"type":[{"code":"dateTime"}]}`)
	extension := profile("extension", `{"type":"value","path":"url"}`, `,"type":[{"code":"Extension","profile":["https://x.example/e"]}]}`)
	resolved := profile("generalPractitioner", `{"type":"value","path":"resolve().active"}`, `,"type":[{"code":"Reference","targetProfile":["https://x.example/active"]}]}`)
	conforming := profile("generalPractitioner", `{"type":"profile","path":"resolve()"}`, `,"type":[{"code":"Reference","targetProfile":["https://x.example/active"]}]}`)
	fitting := profile("contact", `{"type":"profile","path":"address"}`, `},{"id":"Patient.contact:s.address","type":[{"code":"Address","profile":["https://x.example/street"]}]}`)
	const street = `{"resourceType":"StructureDefinition","url":"https://x.example/street","name":"Street","type":"Address","derivation":"constraint",
		"baseDefinition":"http://hl7.org/fhir/StructureDefinition/Address","differential":{"element":[{"id":"Address.line","min":1}]}}`
	const target = `{"resourceType":"StructureDefinition","url":"https://x.example/active","name":"Active","type":"Practitioner","derivation":"constraint",
		"baseDefinition":"http://hl7.org/fhir/StructureDefinition/Practitioner","differential":{"element":[{"id":"Practitioner.active","fixedBoolean":true}]}}`
	tests := []struct {
		name, profile, patient string
		want                   bool
	}{
		{"value", value, `"identifier":[{"system":"https://x.example/a"}]`, true},
		{"another value", value, `"identifier":[{"system":"https://x.example/b"}]`, false},
		{"pattern further up", within, `"identifier":[{"type":{"coding":[{"code":"MR"}]}}]`, true},
		{"another pattern further up", within, `"identifier":[{"type":{"coding":[{"code":"DL"}]}}]`, false},
		{"whole pattern", whole, `"identifier":[{"use":"official","value":"1"}]`, true},
		{"another whole", whole, `"identifier":[{"use":"usual"}]`, false},
		{"exists", there, `"identifier":[{"period":{"start":"2026"}}]`, true},
		{"exists not", there, `"identifier":[{"value":"1"}]`, false},
		{"is absent", absent, `"identifier":[{"value":"1"}]`, true},
		{"is not absent", absent, `"identifier":[{"period":{"start":"2026"}}]`, false},
		{"type", typed, `"deceasedDateTime":"2026"`, true},
		{"another type", typed, `"deceasedBoolean":true`, false},
		{"extension", extension, `"extension":[{"url":"https://x.example/e","valueCode":"a"}]`, true},
		{"another extension", extension, `"extension":[{"url":"https://x.example/f","valueCode":"a"}]`, false},
		{"code of a set", bound, `"maritalStatus":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/v3-MaritalStatus","code":"M"}]}`, true},
		{"code of no set", bound, `"maritalStatus":{"coding":[{"system":"https://x.example","code":"M"}]}`, false},
		{"resolved", resolved, `"contained":[{"resourceType":"Practitioner","id":"p","active":true}],"generalPractitioner":[{"reference":"#p"}]`, true},
		{"target of a profile", conforming, `"contained":[{"resourceType":"Practitioner","id":"p","active":true}],"generalPractitioner":[{"reference":"#p"}]`, true},
		{"target not of the profile", conforming, `"contained":[{"resourceType":"Practitioner","id":"p","active":false}],"generalPractitioner":[{"reference":"#p"}]`, false},
		{"target of another type", conforming, `"contained":[{"resourceType":"Organization","id":"p","active":true,"name":"x"}],"generalPractitioner":[{"reference":"#p"}]`, false},
		{"target that is not there", conforming, `"generalPractitioner":[{"reference":"Practitioner/p"}]`, false},
		{"element of a profile", fitting, `"contact":[{"address":{"line":["a"],"city":"b"}}]`, true},
		{"element not of the profile", fitting, `"contact":[{"address":{"city":"b"}}]`, false},
		{"resolved to another", resolved, `"contained":[{"resourceType":"Practitioner","id":"p"}],"generalPractitioner":[{"reference":"#p"}]`, false},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			guide, err := definitions.R4().ReadGuide([]byte(tt.profile), []byte(target), []byte(street))
			require.NoError(t, err)
			v := New(Options{Guide: guide, Require: map[string][]string{"Patient": {"https://x.example/p"}}})
			issues := v.Resource([]byte(`{"resourceType":"Patient",` + tt.patient + `}`))
			require.Equal(t, tt.want, !outcome.HasErrors(issues), "%v", issues)
		})
	}
}
