package form_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/form"
	"fhirsvc/internal/fhir/tree"
)

// questions is a form with one item of each kind.
const questions = `{"resourceType":"Questionnaire","item":[
{"linkId":"read","type":"display","text":"Read this."},
{"linkId":"yes","type":"boolean"},
{"linkId":"count","type":"integer","extension":[{"url":"` + form.ExtensionMinimum + `","valueInteger":1},{"url":"` + form.ExtensionMaximum + `","valueInteger":10}]},
{"linkId":"name","type":"string","required":true},
{"linkId":"many","type":"string","repeats":true},
{"linkId":"g","type":"group","item":[
 {"linkId":"colour","type":"choice","answerOption":[{"valueCoding":{"system":"urn:c","code":"red"}}],"item":[{"linkId":"shade","type":"decimal"}]},
 {"linkId":"set","type":"choice","answerValueSet":"urn:known"}]}]}`

func known(url string) func(system, code string) bool {
	if url != "urn:known" {
		return nil
	}
	return func(system, code string) bool { return system == "urn:s" && code == "in" }
}

func check(t *testing.T, status, items string) []string {
	t.Helper()
	f, err := form.Parse([]byte(questions), known)
	require.NoError(t, err)
	doc, issues := tree.Parse([]byte(`{"resourceType":"QuestionnaireResponse","status":"` + status + `","item":[` + items + `]}`))
	require.Empty(t, issues)
	var found []string
	for _, i := range f.Check(doc.Root, "R") {
		found = append(found, string(i.Code)+" "+i.Expression)
	}
	return found
}

// R4 questionnaireresponse.html, and the meaning of each member of Questionnaire.item in
// questionnaire-definitions.html.
func TestCheck(t *testing.T) {
	const name = `{"linkId":"name","answer":[{"valueString":"x"}]}`
	for what, tt := range map[string]struct {
		items string
		want  []string
	}{
		"right": {name + `,{"linkId":"yes","answer":[{"valueBoolean":true}]},{"linkId":"count","answer":[{"valueInteger":10}]},
{"linkId":"many","answer":[{"valueString":"a"},{"valueString":"b"}]},{"linkId":"g","item":[{"linkId":"colour","answer":[{"valueCoding":{"system":"urn:c","code":"red"},
"item":[{"linkId":"shade","answer":[{"valueDecimal":1.50}]}]}]},{"linkId":"set","answer":[{"valueCoding":{"system":"urn:s","code":"in"}}]}]}`, nil},
		"required":               {`{"linkId":"yes","answer":[{"valueBoolean":true}]}`, []string{"required R.item"}},
		"required and empty":     {`{"linkId":"name","text":"Name"}`, []string{"required R.item[0].answer"}},
		"unknown":                {name + `,{"linkId":"x"}`, []string{"invalid R.item[1].linkId"}},
		"in another place":       {name + `,{"linkId":"shade","answer":[{"valueDecimal":1}]}`, []string{"invalid R.item[1].linkId"}},
		"twice":                  {name + "," + name, []string{"invalid R.item[1].linkId"}},
		"two answers":            {`{"linkId":"name","answer":[{"valueString":"x"},{"valueString":"y"}]}`, []string{"invalid R.item[0].answer[1]"}},
		"type":                   {name + `,{"linkId":"yes","answer":[{"valueString":"true"}]}`, []string{"invalid R.item[1].answer[0].value"}},
		"below":                  {name + `,{"linkId":"count","answer":[{"valueInteger":0}]}`, []string{"value R.item[1].answer[0].value"}},
		"above":                  {name + `,{"linkId":"count","answer":[{"valueInteger":11}]}`, []string{"value R.item[1].answer[0].value"}},
		"no option":              {name + `,{"linkId":"g","item":[{"linkId":"colour","answer":[{"valueCoding":{"system":"urn:c","code":"blue"}}]}]}`, []string{"code-invalid R.item[1].item[0].answer[0].value"}},
		"another system":         {name + `,{"linkId":"g","item":[{"linkId":"colour","answer":[{"valueCoding":{"system":"urn:d","code":"red"}}]}]}`, []string{"code-invalid R.item[1].item[0].answer[0].value"}},
		"not in the value set":   {name + `,{"linkId":"g","item":[{"linkId":"set","answer":[{"valueCoding":{"system":"urn:s","code":"out"}}]}]}`, []string{"code-invalid R.item[1].item[0].answer[0].value"}},
		"a group that is told":   {name + `,{"linkId":"g","answer":[{"valueString":"x"}]}`, []string{"structure R.item[1].answer"}},
		"words that are told":    {name + `,{"linkId":"read","answer":[{"valueString":"x"}]}`, []string{"structure R.item[1]"}},
		"parts beside an answer": {name + `,{"linkId":"g","item":[{"linkId":"colour","item":[{"linkId":"shade","answer":[{"valueDecimal":1}]}]}]}`, []string{"structure R.item[1].item[0].item"}},
	} {
		t.Run(what, func(t *testing.T) {
			require.Equal(t, tt.want, check(t, "completed", tt.items))
		})
	}
	require.Empty(t, check(t, "in-progress", `{"linkId":"yes","answer":[{"valueBoolean":true}]}`), "what is required may come later")
	require.Equal(t, []string{"required R.item"}, check(t, "amended", `{"linkId":"yes","answer":[{"valueBoolean":true}]}`))
}

// What this package does not heed refuses the Questionnaire: answers would be taken for
// something else.
func TestParseRefusesWhatItDoesNotHeed(t *testing.T) {
	for _, item := range []string{
		`"type":"string","enableWhen":[{"question":"a","operator":"exists","answerBoolean":true}]`,
		`"type":"string","maxLength":4`,
		`"type":"attachment"`,
		`"type":"open-choice"`,
		`"type":"choice","answerValueSet":"urn:nowhere"`,
		`"type":"string","extension":[{"url":"http://hl7.org/fhir/StructureDefinition/regex","valueString":"a"}]`,
		`"type":"string","extension":[{"url":"` + form.ExtensionExtract + `","valueCode":"member"}]`,
	} {
		_, err := form.Parse([]byte(`{"resourceType":"Questionnaire","item":[{"linkId":"a",`+item+`}]}`), known)
		require.Error(t, err, item)
		require.Contains(t, err.Error(), "item a", item)
	}
	_, err := form.Parse([]byte("no JSON"), known)
	require.Error(t, err)
}

// SDC 4.0.0, extraction.html: an item with the extension and a code is an Observation, what
// is marked as component a part of it; status, subject, encounter, author, time and origin
// come from the response.
func TestObservations(t *testing.T) {
	f, err := form.Parse([]byte(`{"resourceType":"Questionnaire","item":[
{"linkId":"when","type":"dateTime","definition":"`+form.DefinitionFound+`"},
{"linkId":"where","type":"choice","definition":"`+form.DefinitionSite+`","answerOption":[{"valueCoding":{"code":"left"}}]},
{"linkId":"a","type":"decimal","code":[{"system":"urn:c","code":"A"}],"extension":[{"url":"`+form.ExtensionExtract+`","valueBoolean":true},
 {"url":"`+form.ExtensionUnit+`","valueCoding":{"system":"http://unitsofmeasure.org","code":"mL"}}]},
{"linkId":"b.group","type":"group","item":[
 {"linkId":"b","type":"choice","code":[{"code":"B"}],"extension":[{"url":"`+form.ExtensionExtract+`","valueBoolean":true},
  {"url":"`+form.ExtensionCategory+`","valueCodeableConcept":{"text":"exam"}}],"answerOption":[{"valueCoding":{"code":"yes"}}],
  "item":[{"linkId":"b.1","type":"dateTime","code":[{"code":"B1"}],"extension":[{"url":"`+form.ExtensionExtract+`","valueCode":"component"}]}]},
 {"linkId":"b.missing","type":"choice","definition":"`+form.DefinitionMissing+`","answerOption":[{"valueCoding":{"code":"not-performed"}}]},
 {"linkId":"b.note","type":"text","definition":"`+form.DefinitionNote+`"}]},
{"linkId":"c","type":"string"}]}`), known)
	require.NoError(t, err)
	require.Equal(t, []string{"a", "b"}, f.Questions())
	extract := func(members, items string) []string {
		doc, issues := tree.Parse([]byte(`{"resourceType":"QuestionnaireResponse","status":"completed"` + members + `,"item":[` + items + `]}`))
		require.Empty(t, issues)
		var list []string
		for _, e := range f.Observations(doc, "R", form.About{Response: "QuestionnaireResponse/r", Found: "2026-03-04T09:50:00Z"}) {
			list = append(list, e.Path+" "+string(e.Body("final")))
		}
		return list
	}
	require.Equal(t, []string{
		`R.item[0] {"code":{"coding":[{"system":"urn:c","code":"A"}]},"derivedFrom":[{"reference":"QuestionnaireResponse/r"}],"effectiveDateTime":"2026-03-04T09:50:00Z",` +
			`"encounter":{"reference":"Encounter/e"},"partOf":[{"reference":"Procedure/p"}],"performer":[{"reference":"Practitioner/n"}],"resourceType":"Observation","status":"final",` +
			`"subject":{"reference":"Patient/p"},"valueQuantity":{"value":1.50,"unit":"mL","system":"http://unitsofmeasure.org","code":"mL"}}`,
	}, extract(`,"subject":{"reference":"Patient/p"},"encounter":{"reference":"Encounter/e"},"author":{"reference":"Practitioner/n"},"partOf":[{"reference":"Procedure/p"}]`,
		`{"linkId":"a","answer":[{"valueDecimal":1.50}]},{"linkId":"c","answer":[{"valueString":"words"}]}`))
	require.Equal(t, []string{
		`R.item[0].item[0] {"category":[{"text":"exam"}],"code":{"coding":[{"code":"B"}]},"component":[{"code":{"coding":[{"code":"B1"}]},"valueDateTime":"2026-03-04"}],` +
			`"derivedFrom":[{"reference":"QuestionnaireResponse/r"}],"effectiveDateTime":"2026-03-04T09:50:00Z","note":[{"text":"a word"}],"resourceType":"Observation","status":"final",` +
			`"valueCodeableConcept":{"coding":[{"code":"yes"}]}}`,
	}, extract(`,"author":{"reference":"Device/d"}`,
		`{"linkId":"b.group","item":[{"linkId":"b","answer":[{"valueCoding":{"code":"yes"},"item":[{"linkId":"b.1","answer":[{"valueDateTime":"2026-03-04"}]}]}]},{"linkId":"b.note","answer":[{"valueString":"a word"}]}]}`))
	missing := extract("", `{"linkId":"when","answer":[{"valueDateTime":"2026-03-04T08:00:00Z"}]},{"linkId":"where","answer":[{"valueCoding":{"code":"left"}}]},
{"linkId":"b.group","item":[{"linkId":"b.missing","answer":[{"valueCoding":{"code":"not-performed"}}]}]}`)
	require.Len(t, missing, 1)
	require.Contains(t, missing[0], `"dataAbsentReason":{"coding":[{"code":"not-performed"}]}`)
	require.Contains(t, missing[0], `"effectiveDateTime":"2026-03-04T08:00:00Z"`)
	require.Contains(t, missing[0], `"bodySite":{"coding":[{"code":"left"}]}`)
	require.True(t, strings.HasPrefix(missing[0], "R.item[2].item[0] "))
	for _, status := range []string{"in-progress", "stopped", "entered-in-error"} {
		require.False(t, form.Charts(status), status)
	}
}
