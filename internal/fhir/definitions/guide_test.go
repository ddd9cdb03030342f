package definitions_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/definitions"
)

const (
	guideCodes = `{"resourceType":"CodeSystem","url":"https://x.example/cs","content":"complete",
		"concept":[{"code":"wet","display":"Wet","designation":[{"language":"de","value":"Nass"}],"concept":[{"code":"oozing"},{"code":"bleeding"}]},{"code":"dry"}]}`
	guideSet = `{"resourceType":"ValueSet","url":"https://x.example/vs","compose":{"include":[
		{"system":"https://x.example/cs","filter":[{"property":"concept","op":"is-a","value":"wet"}]}]}}`
	guideOpen = `{"resourceType":"ValueSet","url":"https://x.example/open","compose":{"include":[
		{"system":"http://snomed.info/sct","filter":[{"property":"concept","op":"is-a","value":"2667000"}]}]}}`
	guideProfile = `{"resourceType":"StructureDefinition","url":"https://x.example/p","name":"P","kind":"resource",
		"type":"Observation","derivation":"constraint","baseDefinition":"http://hl7.org/fhir/StructureDefinition/heartrate",
		"differential":{"element":[{"id":"Observation","path":"Observation"},
		{"id":"Observation.performer","path":"Observation.performer","min":1},
		{"id":"Observation.code.coding.code","path":"Observation.code.coding.code","fixedCode":"8867-4"}]}}`
)

func TestReadGuide(t *testing.T) {
	t.Parallel()
	set := definitions.R4()
	g, err := set.ReadGuide([]byte(guideCodes), []byte(guideSet), []byte(guideOpen), []byte(guideProfile))
	require.NoError(t, err)

	require.Len(t, g.ValueSets, 2)
	require.True(t, g.ValueSets[0].Has("https://x.example/cs", "oozing"))
	require.False(t, g.ValueSets[0].HasCode("dry"))
	require.True(t, g.ValueSets[1].Open, "SNOMED CT is not at hand")

	require.Len(t, g.CodeSystems, 1)
	require.True(t, g.CodeSystems[0].Has("dry"))
	require.Equal(t, []string{"Wet", "Nass"}, g.CodeSystems[0].Displays("wet"))
	require.Empty(t, g.CodeSystems[0].Displays("dry"))
	require.Equal(t, []string{"http://snomed.info/sct"}, g.Systems)

	require.Len(t, g.Profiles, 1)
	p := g.Profiles[0]
	require.Equal(t, "http://hl7.org/fhir/StructureDefinition/heartrate", p.Base)
	require.Len(t, p.Root.Children, 2)
	require.Equal(t, 1, p.Root.Children[0].Min)
	coding := p.Root.Children[1].Children[0] // the differential leaves code and coding out
	require.Equal(t, "8867-4", coding.Children[0].Fixed.Text)
}

func TestReadGuideRefuses(t *testing.T) {
	t.Parallel()
	for name, body := range map[string]string{
		"no JSON":         `{`,
		"unknown type":    `{"resourceType":"StructureDefinition","type":"Widget","differential":{"element":[{"id":"Widget"}]}}`,
		"no elements":     `{"resourceType":"StructureDefinition","type":"Task"}`,
		"unknown element": `{"resourceType":"StructureDefinition","type":"Task","differential":{"element":[{"id":"Task"},{"id":"Task.fro","max":"0"}]}}`,
		"no slicing":      `{"resourceType":"StructureDefinition","type":"Task","differential":{"element":[{"id":"Task"},{"id":"Task.input:a","max":"1"}]}}`,
		"no cardinality":  `{"resourceType":"StructureDefinition","type":"Task","differential":{"element":[{"id":"Task"},{"id":"Task.for","max":"many"}]}}`,
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			_, err := definitions.R4().ReadGuide([]byte(body))
			require.Error(t, err)
		})
	}
}
