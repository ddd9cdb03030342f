package subset_test

import (
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/definitions/gen/npm"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/fhir/subset"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/fhir/validate"
)

// unfit names the types of which R4's own invariants want more than R4 marks as mandatory or
// as summary, so that no part of them can be valid. None of them is served.
func unfit(resourceType string) bool {
	return slices.Contains([]string{
		"Appointment", "AppointmentResponse", "Bundle", "CapabilityStatement", "Consent", "InsurancePlan",
		"MessageDefinition", "Organization", "StructureDefinition", "TerminologyCapabilities",
	}, resourceType)
}

// ofProfile reports whether a fault is against R4's profiles of vital signs, which hold an
// Observation by its code, and the whole of it: profiles are not for parts.
func ofProfile(i outcome.Issue) bool {
	return strings.HasPrefix(i.Rule, "vs-") || strings.Contains(i.Details, "(profile observation-") || strings.Contains(i.Details, "(profile vitalsigns")
}

// faults are the errors of a resource, but for those against profiles, by their text.
func faults(v *validate.Validator, body []byte) map[string]bool {
	out := map[string]bool{}
	for _, i := range v.Resource(body) {
		if outcome.HasErrors([]outcome.Issue{i}) && !ofProfile(i) {
			out[i.Details] = true
		}
	}
	return out
}

// Of every example that HL7 publishes (hl7.fhir.r4.examples 4.0.1), every part is valid R4
// if the whole is: no fault is there that the whole does not have.
func TestPartsOfPublishedExamplesAreValid(t *testing.T) {
	t.Parallel()
	files, err := npm.Files(npm.Examples())
	require.NoError(t, err)
	v := validate.New(validate.Options{})
	parts, left := 0, map[subset.Mode]int{}
	for _, served := range search.Types() {
		require.False(t, unfit(served), served)
	}
	for name, body := range files {
		doc, _ := tree.Parse(body)
		if doc == nil || len(body) > 100_000 {
			continue // the great value sets and structure definitions are slow, and all alike
		}
		r4 := definitions.R4().Type(doc.Root.Str("resourceType"))
		if r4 == nil || r4.Kind != definitions.Resource || unfit(r4.Name) {
			continue
		}
		known := faults(v, body)
		for _, view := range []subset.View{{Mode: subset.Summary}, {Mode: subset.Text}, {Mode: subset.Data}, {Mode: subset.Elements, Names: []string{"identifier"}}} {
			part, err := view.Of(body)
			require.NoError(t, err, name)
			for fault := range faults(v, part) {
				require.True(t, known[fault], "%s, mode %d: %s\n%s", name, view.Mode, fault, part)
			}
			parts++
			left[view.Mode] += len(part)
		}
		left[subset.Whole] += len(body)
	}
	require.Greater(t, parts, 8_000)
	require.Less(t, left[subset.Summary], left[subset.Whole])
	require.Less(t, left[subset.Elements], left[subset.Summary])
	t.Logf("%d parts; bytes by mode: %v", parts, left)
}
