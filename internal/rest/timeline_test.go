package rest_test

import (
	"encoding/base64"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
)

// TestTimelineOverREST: the picture of the own unit's plan, which loads and runs nothing;
// another unit's is as if it were not there; recorded with the plan and its patient.
func TestTimelineOverREST(t *testing.T) {
	t.Parallel()
	w := twoUnits(t)
	plan := w.id("CarePlan", labA)
	path := "/fhir/CarePlan/" + plan + "/$timeline"
	w.audit.taken()
	a := w.get(path, w.of(labA))
	require.Equal(t, 200, a.StatusCode, a.text)
	require.Equal(t, "image/svg+xml", a.Header.Get("Content-Type"))
	require.Equal(t, "default-src 'none'; sandbox", a.Header.Get("Content-Security-Policy"))
	require.Equal(t, "nosniff", a.Header.Get("X-Content-Type-Options"))
	require.Equal(t, "no-store", a.Header.Get("Cache-Control"))
	require.Contains(t, a.text, "CarePlan/"+plan)
	require.NotContains(t, a.text, "anna")
	noted := w.audit.taken()
	require.Len(t, noted, 1)
	require.Equal(t, "read", noted[0].Interaction)
	require.Equal(t, "CarePlan/$timeline", noted[0].Query)
	require.Contains(t, noted[0].Data, "CarePlan/"+plan+"/_history/")
	require.Equal(t, labA, noted[0].Unit)
	require.Len(t, noted[0].Patient, 1)

	w.get(path, w.of(labB)).refused(t, 404, outcome.CodeNotFound)
	require.True(t, w.audit.taken()[0].Alert)
	w.get(path+"?section=1", w.of(labA)).refused(t, 400, outcome.CodeNotSupported)
	w.get("/fhir/CarePlan/nobody/$timeline", w.of(labA)).refused(t, 404, outcome.CodeNotFound)
	w.send("POST", path, "{}", w.of(labA)).refused(t, 405, outcome.CodeNotSupported)
}

// TestTimelineIsNegotiated: as RFC 9110 section 12.5.1 weighs what a client takes; FHIR
// alone gets a Binary (hl7.org/fhir/R4/binary.html), and nothing fits whom neither suits.
func TestTimelineIsNegotiated(t *testing.T) {
	t.Parallel()
	w := twoUnits(t)
	path := "/fhir/CarePlan/" + w.id("CarePlan", labA) + "/$timeline"
	const image, json = "image/svg+xml", "application/fhir+json; charset=utf-8"
	for accept, want := range map[string]string{
		"*/*": image, "image/*": image, "image/svg+xml": image, "text/html,application/xhtml+xml,application/xml;q=0.9,image/avif,*/*;q=0.8": image,
		"application/fhir+json": json, "application/json": json, "application/fhir+json, */*;q=0.1": json,
		"application/fhir+json;q=0.5, image/svg+xml": image, "application/fhir+json; fhirVersion=4.0": json,
		"*/*, image/svg+xml;q=0": json,
		"text/html":              "", "image/png": "", "application/fhir+json; fhirVersion=5.0": "", "image/svg+xml;q=0": "",
	} {
		a := w.get(path, w.of(labA), "Accept: "+accept)
		if want == "" {
			a.refused(t, 406, outcome.CodeNotSupported)
			continue
		}
		require.Equal(t, want, a.Header.Get("Content-Type"), accept)
		if want == json {
			sound(t, a.text)
			require.Equal(t, "Binary", a.doc.Str("resourceType"))
			svg, err := base64.StdEncoding.DecodeString(a.doc.Str("data"))
			require.NoError(t, err)
			require.True(t, strings.HasPrefix(string(svg), "<svg "))
		}
	}
	require.Equal(t, json, w.get(path+"?_format=json", w.of(labA), "Accept: image/svg+xml").Header.Get("Content-Type"))
	require.Equal(t, image, w.get(path+"?_format=image/svg%2Bxml", w.of(labA), "Accept: application/json").Header.Get("Content-Type"))
}

// Who may read all but one of the types gets no picture: what is missing would not be seen.
func TestTimelineNeedsEveryType(t *testing.T) {
	t.Parallel()
	needsEveryType(t, "$timeline",
		"CarePlan", "Encounter", "MedicationAdministration", "Observation", "Procedure", "ServiceRequest", "Task")
}
