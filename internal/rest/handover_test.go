package rest_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/rest/smart/smarttest"
)

// TestHandoverOverREST: one page of the own unit's plan with the addresses of this server;
// of another unit's as if it were not there; recorded with the plan and its patient.
func TestHandoverOverREST(t *testing.T) {
	t.Parallel()
	w := twoUnits(t)
	plan := w.id("CarePlan", labA)
	path := "/fhir/CarePlan/" + plan + "/$handover"
	w.audit.taken()
	a := w.get(path, w.of(labA))
	require.Equal(t, 200, a.StatusCode, a.text)
	sound(t, a.text)
	require.Equal(t, "document", a.doc.Str("type"))
	patient := a.doc.Get("entry").At(0).Get("resource").Get("subject").Str("reference")
	require.Contains(t, patient, w.server.URL+"/fhir/Patient/")
	noted := w.audit.taken()
	require.Len(t, noted, 1)
	require.Equal(t, "read", noted[0].Interaction)
	require.Contains(t, noted[0].Data, "CarePlan/"+plan+"/_history/")
	require.Equal(t, "CarePlan/$handover", noted[0].Query)
	require.Equal(t, labA, noted[0].Unit)
	require.Equal(t, []string{patient[len(w.server.URL+"/fhir/"):]}, noted[0].Patient)

	theirs := w.get(path, w.of(labB))
	theirs.refused(t, 404, outcome.CodeNotFound)
	noted = w.audit.taken()
	require.True(t, noted[0].Alert)
	require.Equal(t, "forbidden", noted[0].Why)
	w.get(path+"?section=1", w.of(labA)).refused(t, 400, outcome.CodeNotSupported)
	w.get("/fhir/CarePlan/nobody/$handover", w.of(labA)).refused(t, 404, outcome.CodeNotFound)
	w.send("POST", path, "{}", w.of(labA)).refused(t, 405, outcome.CodeNotSupported)
}

// Who may read all but one of the types gets no page: what is missing would not be seen.
func TestHandoverNeedsEveryType(t *testing.T) {
	t.Parallel()
	needsEveryType(t, "$handover",
		"CarePlan", "Communication", "DetectedIssue", "Encounter", "Flag", "MedicationAdministration", "Observation",
		"Patient", "Procedure", "ServiceRequest", "Task")
}

// needsEveryType: an operation on a plan is answered to whoever may read these types, and to
// nobody who may read all but one.
func needsEveryType(t *testing.T, operation string, types ...string) {
	t.Helper()
	w := twoUnits(t)
	path := "/fhir/CarePlan/" + w.id("CarePlan", labA) + "/" + operation
	require.Equal(t, 200, w.get(path, w.as(smarttest.Claims{"scope": reads(types)})).StatusCode)
	for i, resourceType := range types {
		less := append(append([]string{}, types[:i]...), types[i+1:]...)
		a := w.get(path, w.as(smarttest.Claims{"scope": reads(less)}))
		a.refused(t, 403, outcome.CodeForbidden)
		require.Contains(t, a.Header.Get("WWW-Authenticate"), "system/"+resourceType+".r")
	}
}
