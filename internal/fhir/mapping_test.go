package fhir

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
)

// What is written beside a local code, and what is read as one, stands in the mappings;
// what a licence is needed for does not.
func TestMappings(t *testing.T) {
	list := Mappings()
	require.Contains(t, list, Mapping{CodeSiteCheck, sct("225395003", "Wound assessment (procedure)").Coding, RelationWider})
	require.Contains(t, list, Mapping{CodeDoppler, sct("765172009", "Doppler ultrasound (procedure)").Coding, RelationEquivalent})
	require.Contains(t, list, Mapping{CodeOccluded, sct("2929001", "Occlusion of artery (disorder)").Coding, RelationWider})
	require.Contains(t, list, Mapping{CodeHeparin, Coding{System: SystemATC, Code: "B01AB", Display: "Heparin group"}, RelationNarrower})

	concepts := map[Code]bool{}
	for _, c := range Concepts() {
		concepts[c.Code] = true
	}
	licensed := map[string]bool{}
	for _, s := range standards() {
		if !s.inGPS {
			licensed[s.Code] = true
		}
	}
	require.NotEmpty(t, licensed)
	seen := map[[2]string]Relation{}
	for _, m := range list {
		require.True(t, concepts[m.Code], "%s is no local code", m.Code)
		require.False(t, licensed[m.Standard.Code], "%s needs a licence", m.Standard.Code)
		pair := [2]string{string(m.Code), m.Standard.System + "|" + m.Standard.Code}
		require.NotContains(t, seen, pair, "a pair has one relation")
		seen[pair] = m.Relation
	}
	require.True(t, slices.IsSortedFunc(list, func(a, b Mapping) int {
		return slices.IndexFunc(Concepts(), func(c Concept) bool { return c.Code == a.Code }) -
			slices.IndexFunc(Concepts(), func(c Concept) bool { return c.Code == b.Code })
	}), "in the order of the code system")
}

// What is written to a chart beside the local code of a Task is what the map says.
func TestMappingsSayWhatIsWritten(t *testing.T) {
	for _, row := range tasks() {
		for _, c := range (Terminology{}).Task(row.value).Coding {
			if c.System == SystemLocal {
				continue
			}
			require.True(t, slices.ContainsFunc(Mappings(), func(m Mapping) bool { return m.Code == row.local && m.Standard == c }), "%s %v", row.value, c)
		}
	}
}
