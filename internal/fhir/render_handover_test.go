package fhir

import (
	"os"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/workflow"
)

// samplePage is the page of the plan that the published examples are about.
func samplePage(t *testing.T) Page {
	part := func(s HandoverSection, resourceType, id string) HandoverPart {
		body, err := os.ReadFile("../../api/examples/" + resourceType + "-" + id + ".json")
		require.NoError(t, err)
		return HandoverPart{Section: s, Type: resourceType, ID: id, Body: body}
	}
	titrated, six := true, workflow.MustDecimal("6")
	return Page{
		Document: "5a0f1c7e-0000-4000-8000-000000000009", Base: "https://lindenbrook.example/fhir",
		At: clockAt("2026-11-25T14:20:00Z"), Plan: bleedingPlan(),
		State: workflow.Handover{
			Started: clockAt("2026-11-25T12:00:00Z"), Titrated: &titrated, Maximum: workflow.MustDecimal("18"), Sheath: &six,
			Drugs: []workflow.Drug{workflow.Heparin, workflow.OtherAnticoagulant},
			Test:  &workflow.Finding{ID: "patency", Code: workflow.Patency, Method: workflow.WaveformUlnarCompressed}, Tested: &sampleBook().Volume,
			Held: clockAt("2026-11-25T13:40:00Z"), HeldWith: &sampleBook().Volume,
			Orders: []workflow.Order{{
				Code: workflow.OrderPauseRelease, Given: clockAt("2026-11-25T14:10:00Z"), Until: clockAt("2026-11-25T14:40:00Z"),
				By: "Practitioner/n1", Reason: "the patient is in the X-ray department",
			}},
			Calls: []workflow.Notice{openCall()}, Issues: []workflow.Issue{openIssue()},
		},
		Subject: part(0, "Patient", "p1"),
		Parts: []HandoverPart{
			part(HandoverNow, "CarePlan", "plan1"), part(HandoverSite, "Observation", "bleeding-dry"), part(HandoverSite, "Observation", "patency"),
			part(HandoverWaiting, "Communication", "call1"), part(HandoverWaiting, "DetectedIssue", "issue1"),
			part(HandoverOrders, "MedicationAdministration", "heparin"), part(HandoverOrders, "ServiceRequest", "pause"),
			part(HandoverBand, "Procedure", "proc1"), part(HandoverBand, "Encounter", "e1"),
		},
	}
}

// The published example of a page is what the service writes.
func TestHandoverExample(t *testing.T) {
	body, err := RenderHandover(samplePage(t), sampleContext())
	require.NoError(t, err)
	requireGolden(t, "../../api/examples/Bundle-hand-over.json", body)
	require.Empty(t, empties(t, body))
	strict(t, body)
}

// A page says what is not known, and that lists are empty: silence would be taken for
// either.
func TestHandoverSaysWhatIsNotKnown(t *testing.T) {
	page := samplePage(t)
	page.Plan, page.State, page.Parts = emptyPlan(), workflow.Handover{}, nil
	page.Subject.Body = []byte(`{"resourceType":"Patient"}`)
	body, err := RenderHandover(page, sampleContext())
	require.NoError(t, err)
	for _, words := range []string{
		"not named", "UNKNOWN; never confirmed", "not told; counted from", "Unanswered calls</b></p><ul><li>none", "Orders in force</b></p><ul><li>none",
		"Anticoagulants</b></p><ul><li>none", "Sheath</th><td>not told", "kind not told",
	} {
		require.Contains(t, string(body), words)
	}
}
