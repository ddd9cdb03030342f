package rest_test

import (
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/rest/smart/smarttest"
)

// twoUnits has a plan in each of two units; one patient lies in both, wrist by wrist.
func twoUnits(t *testing.T) *secured {
	w := newSecured(t)
	w.take(labA, "P-a", "anna")
	w.take(labB, "P-b", "bert")
	return w
}

// The tests of this file hold docs/adr/0059. R4 leaves to a server who may see what, and
// names how to answer whoever may not (hl7.org/fhir/R4/security.html, Access Denied Response
// Handling); that records of no unit are seen through what refers to them is a rule of ours.

// Every type, read and searched by a client of one unit, gives what the other's does not.
func TestAClientSeesItsOwnUnits(t *testing.T) {
	t.Parallel()
	w := twoUnits(t)
	a, b, both, all, none := w.of(labA), w.of(labB), w.of(labA, labB), w.as(nil), w.of()
	for _, resourceType := range search.Types() {
		if resourceType == "AuditEvent" {
			continue // it grows while we look
		}
		total := func(header string) string {
			answer := w.get("/fhir/"+resourceType+"?_count=200", header)
			require.Equal(t, 200, answer.StatusCode, answer.text)
			return answer.doc.Get("total").Text
		}
		switch resourceType {
		case "PlanDefinition", "CodeSystem", "SearchParameter", "Practitioner", "Questionnaire":
			require.Equal(t, total(all), total(a), resourceType)
			continue
		}
		require.Equal(t, total(a), total(b), "%s: the two are alike", resourceType)
		require.Equal(t, "0", total(none), resourceType)
		require.Equal(t, total(all), total(both), resourceType)
	}
	require.Equal(t, "1", w.get("/fhir/Patient", a).doc.Get("total").Text)
	require.Equal(t, "2", w.get("/fhir/Patient", both).doc.Get("total").Text)
	require.Equal(t, "0", w.get("/fhir/Patient?identifier=urn:patients|bert", a).doc.Get("total").Text)

	// A patient of both: whose record is shared, and whose plans are not.
	w.take(labB, "P-a2", "anna")
	require.Equal(t, "2", w.get("/fhir/Patient", b).doc.Get("total").Text)
	anna := w.get("/fhir/Patient?identifier=urn:patients|anna", b).ids()[0]
	require.Equal(t, 200, w.get("/fhir/Patient/"+anna, a).StatusCode)
	require.Equal(t, "1", w.get("/fhir/CarePlan?patient="+anna, a).doc.Get("total").Text)
	require.Equal(t, "2", w.get("/fhir/CarePlan?patient="+anna, both).doc.Get("total").Text)

	// A next link holds no right: who follows it is asked again.
	page := w.get("/fhir/Task?_count=1", b)
	next := strings.TrimPrefix(page.link("next"), w.server.URL)
	require.Equal(t, 200, w.get(next, b).StatusCode)
	theirs := w.get(next, a)
	for _, id := range theirs.ids() {
		require.Equal(t, 404, w.get("/fhir/Task/"+id, b).StatusCode, "what the link gave to the other is its own")
	}
}

// A finding stays in the units of who charts it, whoever the patient is.
func TestFindingsStayInTheUnit(t *testing.T) {
	t.Parallel()
	w := twoUnits(t)
	a, b := w.of(labA), w.of(labB)
	own := w.send(http.MethodPost, "/fhir/Observation", findingOf("anna"), a)
	require.Equal(t, 201, own.StatusCode, own.text)
	require.NotContains(t, own.text, "unplaced")

	// Of another unit's patient: kept, counted for no plan, and seen by nobody else.
	before := w.get("/fhir/CarePlan", b).text
	lost := w.send(http.MethodPost, "/fhir/Observation", findingOf("bert"), a)
	require.Equal(t, 201, lost.StatusCode, lost.text)
	require.Contains(t, lost.text, "unplaced")
	require.Equal(t, before, w.get("/fhir/CarePlan", b).text)
	id := lost.doc.Str("id")
	require.Equal(t, 200, w.get("/fhir/Observation/"+id, a).StatusCode)
	require.Equal(t, 404, w.get("/fhir/Observation/"+id, b).StatusCode)
	require.Equal(t, "1", w.get("/fhir/Patient", a).doc.Get("total").Text, "charting opens no patient's record")

	// Nor does another event of that unit adopt it; one of its own does.
	w.take(labB, "P-b2", "bert")
	require.Contains(t, w.get("/fhir/Observation/"+id, a).text, "unplaced")
	w.take(labA, "P-b3", "bert")
	require.NotContains(t, w.get("/fhir/Observation/"+id, a).text, "unplaced")

	// Named by id, the patient is as unknown as one who is nowhere.
	bert := w.id("CarePlan", labB)
	plan := w.get("/fhir/CarePlan/"+bert, b).doc
	ref := plan.Get("subject").Str("reference")
	byID := strings.Replace(findingOf("bert"), `{"identifier":{"system":"urn:patients","value":"bert"}}`, `{"reference":"`+ref+`"}`, 1)
	w3 := w.of("https://lindenbrook.example/units|ward-3")
	known := w.send(http.MethodPost, "/fhir/Observation", byID, w3)
	known.refused(t, 422, outcome.CodeBusinessRule)
	nowhere := w.send(http.MethodPost, "/fhir/Observation", strings.Replace(byID, ref, "Patient/nobody", 1), w3)
	require.Equal(t, nowhere.text, known.text)
}

// Orders, conditional creates and identifiers say nothing of another unit.
func TestWritesTellNothingOfOthers(t *testing.T) {
	t.Parallel()
	w := twoUnits(t)
	a, b := w.of(labA), w.of(labB)
	criteria := "If-None-Exist: code=access-site-bleeding"
	first := w.send(http.MethodPost, "/fhir/Observation", findingOf("bert"), b, criteria)
	require.Equal(t, 201, first.StatusCode, first.text)
	mine := w.send(http.MethodPost, "/fhir/Observation", findingOf("anna"), a, criteria)
	require.Equal(t, 201, mine.StatusCode, "the other unit's is no match: %s", mine.text)
	require.Equal(t, 200, w.send(http.MethodPost, "/fhir/Observation", findingOf("anna"), a, criteria).StatusCode)

	named := func(patient string) string {
		return strings.Replace(findingOf(patient), `"status"`, `"identifier":[{"system":"urn:o","value":"1"}],"status"`, 1)
	}
	require.Equal(t, 201, w.send(http.MethodPost, "/fhir/Observation", named("bert"), b).StatusCode)
	taken := w.send(http.MethodPost, "/fhir/Observation", named("anna"), a)
	taken.refused(t, 409, outcome.CodeDuplicate)
	require.NotContains(t, taken.text, "bert")

	order := fmt.Sprintf(`{"resourceType":"ServiceRequest","status":"active","intent":"order","code":{"coding":[{"system":"https://fhirsvc.example/fhir/CodeSystem/radial-compression","code":"hold"}]},
"subject":{"identifier":{"system":"urn:patients","value":"bert"}},"requester":{"display":"Dr Baker"},"reasonCode":[{"text":"x"}],"authoredOn":%q}`, time.Now().UTC().Format(time.RFC3339))
	w.send(http.MethodPost, "/fhir/ServiceRequest", order, a).refused(t, 422, outcome.CodeBusinessRule)
	require.Equal(t, 201, w.send(http.MethodPost, "/fhir/ServiceRequest", order, b).StatusCode)
}

// Events are of the sender's units: for another one they are refused, and another's
// procedure is not there.
func TestEventsStayInTheUnit(t *testing.T) {
	t.Parallel()
	w := twoUnits(t)
	a := w.of(labA)
	send := func(body string) answer { return w.send(http.MethodPost, "/fhir/$process-message", body, a) }
	require.Equal(t, 200, send(event(labA, "P-new", "carl")).StatusCode)
	send(event(labB, "P-new2", "carl")).refused(t, 403, outcome.CodeForbidden)
	send(strings.Replace(event(labA, "P-new3", "carl"), `"location"`, `"_location"`, 1)).refused(t, 400, outcome.CodeStructure)
	unplaced := strings.Replace(event(labA, "P-new4", "carl"), `"location":{"identifier":{"system":"https://lindenbrook.example/units","value":"lab-a"}},`, "", 1)
	send(unplaced).refused(t, 403, outcome.CodeForbidden)

	theirs := strings.Replace(event(labA, "P-b", "bert"), "m-P-b", "m-other", 1)
	send(theirs).refused(t, 404, outcome.CodeNotFound)
	require.Equal(t, "2", w.get("/fhir/Patient", a).doc.Get("total").Text, "anna and carl")

	// A patient of the other unit is referred to, and not rewritten by the first event.
	renamed := strings.Replace(event(labA, "P-b9", "bert"), "Okonedo", "Changed", 1)
	require.Equal(t, 200, send(renamed).StatusCode)
	bert := w.get("/fhir/Patient?identifier=urn:patients|bert", a)
	require.NotContains(t, bert.text, "Changed")
	require.Equal(t, "1", bert.doc.Get("total").Text, "now it is a patient of this unit, too")

	w.send(http.MethodPost, "/fhir/$process-message", event(labA, "P-x", "dora"), w.of()).refused(t, 403, outcome.CodeForbidden)
	w.send(http.MethodPost, "/fhir/$process-message", "{", w.as(smarttest.Claims{"scope": "system/Observation.c"})).refused(t, 403, outcome.CodeForbidden)
}

// An episode that its event moves to another unit goes whole: what the service wrote, what
// came with the event, and what was charted.
func TestAPlanThatMovesIsSeenWhole(t *testing.T) {
	t.Parallel()
	w := newSecured(t)
	w.take(labA, "P-1", "anna")
	tasks := w.get("/fhir/Task", w.of(labA)).doc.Get("total").Text
	require.Equal(t, 201, w.send(http.MethodPost, "/fhir/Observation", findingOf("anna"), w.of(labA)).StatusCode)
	later := time.Now().UTC().Add(time.Minute).Format(time.RFC3339)
	moved := strings.Replace(strings.Replace(event(labB, "P-1", "anna"), "m-P-1", "m-2", 1), `"timestamp":"`, `"timestamp":"`+later+`","_x":"`, 1)
	doc, _ := tree.Parse([]byte(moved))
	require.NotNil(t, doc)
	moved = strings.Replace(moved, `,"_x":"`+doc.Root.Str("_x")+`"`, "", 1)
	require.Equal(t, 200, w.send(http.MethodPost, "/fhir/$process-message", moved, w.as(nil)).StatusCode)
	require.NotEqual(t, "0", tasks)
	for resourceType, want := range map[string]string{"Task": tasks, "CarePlan": "1", "Procedure": "1", "Observation": "2", "Patient": "1"} {
		require.Equal(t, want, w.get("/fhir/"+resourceType, w.of(labB)).doc.Get("total").Text, resourceType)
		require.Equal(t, "0", w.get("/fhir/"+resourceType, w.of(labA)).doc.Get("total").Text, resourceType)
	}
	observation := w.id("Observation", labB)
	require.Equal(t, "1", w.get("/fhir/Observation/"+observation+"/_history", w.of(labB)).doc.Get("total").Text, "the version before was the other unit's")
	put := strings.Replace(w.get("/fhir/Observation/"+observation, w.of(labB)).text, `"final"`, `"entered-in-error"`, 1)
	require.NotEqual(t, 404, w.send(http.MethodPut, "/fhir/Observation/"+observation, put, w.of(labB)).StatusCode)
	w.send(http.MethodPut, "/fhir/Observation/"+observation, put, w.of(labA)).refused(t, 404, outcome.CodeNotFound)
}
