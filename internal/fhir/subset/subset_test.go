package subset_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/subset"
	"fhirsvc/internal/fhir/tree"
)

const tagged = `{"system":"http://terminology.hl7.org/CodeSystem/v3-ObservationValue","code":"SUBSETTED","display":"subsetted"}`

// The rules are those of hl7.org/fhir/R4/search.html#summary and #elements, the marks those
// of the published StructureDefinitions (isSummary, isModifier, min).
func TestOf(t *testing.T) {
	t.Parallel()
	const task = `{"resourceType":"Task","id":"a","meta":{"versionId":"2","profile":["urn:p"],"tag":[{"code":"x"}]},"implicitRules":"urn:r",
"text":{"status":"generated","div":"<div xmlns=\"http://www.w3.org/1999/xhtml\">x</div>"},"status":"ready","_status":{"extension":[{"url":"urn:e","valueCode":"y"}]},
"intent":"order","priority":"stat","description":"<b> \u0026 1","restriction":{"period":{"end":"2031"}},"input":[{"type":{"text":"x"},"valueQuantity":{"value":1.30}}]}`
	const meta = `"meta":{"versionId":"2","tag":[{"code":"x"},` + tagged + `]},"implicitRules":"urn:r",`
	const status = `"status":"ready","_status":{"extension":[{"url":"urn:e","valueCode":"y"}]},` + "" + `"intent":"order"`
	const text = `"text":{"status":"generated","div":"<div xmlns=\"http://www.w3.org/1999/xhtml\">x</div>"},`
	const observation = `{"resourceType":"Observation","status":"final","code":{"text":"c","coding":[{"code":"y"}]},"contained":[{"resourceType":"Device","id":"d"},{"resourceType":"Patient","id":"p","managingOrganization":{"reference":"#o"}},{"resourceType":"Organization","id":"o"}],
"device":{"reference":"#d"},"subject":{"reference":"#p"},"component":[{"id":"1","code":{"text":"s"},"valueInteger":3,"interpretation":[{"text":"high"}]},{"code":{"text":"d"}}]}`
	tests := []struct {
		name string
		view subset.View
		body string
		want string
	}{
		{"whole", subset.View{}, task, task},
		{"summary", subset.View{Mode: subset.Summary}, task, `{"resourceType":"Task","id":"a",` + meta + status + `,"description":"<b> \u0026 1"}`},
		{"text", subset.View{Mode: subset.Text}, task, `{"resourceType":"Task","id":"a",` + meta + text + status + `}`},
		{
			"data",
			subset.View{Mode: subset.Data},
			task,
			`{"resourceType":"Task","id":"a",` + meta + status + `,"priority":"stat","description":"<b> \u0026 1","restriction":{"period":{"end":"2031"}},"input":[{"type":{"text":"x"},"valueQuantity":{"value":1.30}}]}`,
		},
		{
			"elements, with the mandatory and the modifiers",
			subset.View{Mode: subset.Elements, Names: []string{"priority"}},
			task,
			`{"resourceType":"Task","id":"a",` + meta + status + `,"priority":"stat"}`,
		},
		{
			"summary inside a backbone element, and of contained only what is referred to",
			subset.View{Mode: subset.Summary},
			observation,
			`{"resourceType":"Observation","status":"final","code":{"text":"c","coding":[{"code":"y"}]},"subject":{"reference":"#p"},"component":[{"code":{"text":"s"},"valueInteger":3},{"code":{"text":"d"}}],"meta":{"tag":[` + tagged + `]},"contained":[{"resourceType":"Patient","id":"p","managingOrganization":{"reference":"#o"}},{"resourceType":"Organization","id":"o"}]}`,
		},
		{
			"a choice by its name without the type",
			subset.View{Mode: subset.Elements, Names: []string{"effective"}},
			`{"resourceType":"Observation","status":"final","effectiveDateTime":"2031","valueInteger":3,"code":{"text":"x"}}`,
			`{"resourceType":"Observation","status":"final","effectiveDateTime":"2031","code":{"text":"x"},"meta":{"tag":[` + tagged + `]}}`,
		},
		{
			"tagged once", subset.View{Mode: subset.Data}, `{"resourceType":"Task","meta":{"tag":[` + tagged + `]}}`, `{"resourceType":"Task","meta":{"tag":[` + tagged + `]}}`,
		},
		{"an empty backbone element goes", subset.View{Mode: subset.Summary}, `{"resourceType":"Patient","link":[],"contact":[{"gender":"male"}]}`, `{"resourceType":"Patient","meta":{"tag":[` + tagged + `]}}`},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			got, err := tt.view.Of([]byte(tt.body))
			require.NoError(t, err)
			require.Equal(t, tt.want, string(got))
			doc, issues := tree.Parse(got)
			require.Empty(t, issues)
			require.Equal(t, tt.view.Mode != subset.Whole, subset.IsPart(doc.Root))
		})
	}
	for _, body := range []string{"", "{", `{"resourceType":"Nothing"}`, `[]`} {
		_, err := subset.View{Mode: subset.Data}.Of([]byte(body))
		require.Error(t, err, body)
	}
	require.True(t, subset.Has("Observation", "value"))
	require.False(t, subset.Has("Observation", "valueQuantity"))
	require.False(t, subset.Has("Nothing", "id"))
}

// FuzzOf: whatever is taken for a resource, a part of it is JSON with the same type and id,
// is tagged, and is its own part.
func FuzzOf(f *testing.F) {
	f.Add([]byte(`{"resourceType":"Task","id":"a","meta":{"tag":[ {"code":"x"} ]},"status":"ready","input":[{"type":{"text":"x"}}]}`), uint8(1), "status")
	f.Add([]byte(`{"resourceType":"Observation","contained":[{"resourceType":"Device","id":"d"}],"device":{"reference":"#d"},"component":[null,{}]}`), uint8(2), "value")
	f.Add([]byte(`{"resourceType":"Patient","link":[{"other":{}}],"_birthDate":{"extension":[]},"contact":{},"meta":[]}`), uint8(3), "")
	f.Fuzz(func(t *testing.T, body []byte, mode uint8, name string) {
		v := subset.View{Mode: subset.Mode(mode % 5), Names: []string{name}}
		got, err := v.Of(body)
		if err != nil || v.Mode == subset.Whole {
			return
		}
		before, _ := tree.Parse(body)
		after, _ := tree.Parse(got)
		require.NotNil(t, after, "%s", got)
		require.Equal(t, before.Root.Str("resourceType"), after.Root.Str("resourceType"))
		require.Equal(t, before.Root.Str("id"), after.Root.Str("id"))
		require.True(t, subset.IsPart(after.Root), "%s", got)
		again, err := v.Of(got)
		require.NoError(t, err)
		once, _ := tree.Parse(again)
		require.NotNil(t, once, "%s", again)
	})
}
