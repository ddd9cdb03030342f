package main

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/definitions/gen/npm"
	"fhirsvc/internal/fhir/tree"
)

// The published package is fetched through npm when it is not there; without it
// these tests fail.

func TestCommittedFileIsWhatTheGeneratorMakes(t *testing.T) {
	t.Parallel()
	require.NoError(t, run(true, false))
}

// TestExpansionsAgreeWithThePublishedOnes holds our expansion of value sets against
// HL7's own (hl7.fhir.r4.expansions 4.0.1), for every set that both list completely.
func TestExpansionsAgreeWithThePublishedOnes(t *testing.T) {
	t.Parallel()
	files, err := npm.Files(npm.Expansions())
	require.NoError(t, err)
	set := definitions.R4()
	compared := 0
	for name, body := range files {
		doc, _ := tree.Parse(body)
		if doc == nil || doc.Root.Str("resourceType") != "ValueSet" {
			continue
		}
		ours := set.ValueSet(doc.Root.Str("url"))
		if ours == nil || ours.Open {
			continue
		}
		var got []string
		for _, s := range ours.Systems {
			for _, c := range s.Codes {
				got = append(got, s.System+"|"+c)
			}
		}
		want := published(doc.Root.Get("expansion"))
		if hasDeprecated(name) {
			got = slices.DeleteFunc(got, func(c string) bool { return !slices.Contains(want, c) })
		}
		slices.Sort(got)
		slices.Sort(want)
		assert.Equal(t, slices.Compact(want), got, name)
		compared++
	}
	require.Greater(t, compared, 250)
}

// hasDeprecated names the sets in which ours has more: the publisher leaves out
// deprecated and retired codes, which R4 still lets old content use.
func hasDeprecated(file string) bool {
	return slices.Contains([]string{
		"ValueSet-v2-0916.json", "ValueSet-patient-contactrelationship.json",
		"ValueSet-observation-interpretation.json", "ValueSet-security-labels.json",
	}, file)
}

func published(n *tree.Node) []string {
	var out []string
	for c := range n.Get("contains").Items() {
		if abstract := c.Get("abstract"); c.Str("code") != "" && (abstract == nil || abstract.Text != "true") {
			out = append(out, c.Str("system")+"|"+c.Str("code"))
		}
		out = append(out, published(c)...)
	}
	return out
}
