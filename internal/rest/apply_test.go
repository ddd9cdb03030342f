package rest_test

import (
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
)

// applied asks what the diagnostic starter would plan.
func (s *secured) applied(token string, parameters ...string) answer {
	s.t.Helper()
	plan := s.get("/fhir/PlanDefinition?title=Stepwise%20release%20of%20a%20radial%20compression%20band%20after%20a%20diagnostic", s.as(nil)).ids()
	require.Len(s.t, plan, 1)
	return s.send(http.MethodPost, "/fhir/PlanDefinition/"+plan[0]+"/$apply",
		`{"resourceType":"Parameters","parameter":[`+strings.Join(parameters, ",")+`]}`, token)
}

func (s *secured) patientOf(unit string) string {
	s.t.Helper()
	plan, err := s.store.Read(s.t.Context(), "CarePlan", s.id("CarePlan", unit))
	require.NoError(s.t, err)
	doc, _ := tree.Parse(plan.Body)
	return doc.Root.Get("subject").Str("reference")
}

// plannedSteps are the release steps in order: earliest time and volume.
func plannedSteps(tasks []*tree.Node) []string {
	var list []string
	for _, task := range tasks {
		if task.Get("code").Get("coding").At(0).Str("code") != "release-step" {
			continue
		}
		volume := ""
		for in := range task.Get("input").Items() {
			if v := in.Get("valueQuantity").Get("value"); v != nil {
				volume = v.Text
			}
		}
		list = append(list, task.Get("restriction").Get("period").Str("start")+" "+volume)
	}
	return list
}

// TestApplyIsWhatWouldBePlanned: the draft has the steps of a real plan with the same start
// and volume, which the real planner made of an event; R4 plandefinition-operation-apply:
// the answer is a CarePlan. Nothing is stored.
func TestApplyIsWhatWouldBePlanned(t *testing.T) {
	t.Parallel()
	w := newSecured(t)
	w.take(labA, "P-a", "anna")
	var real []*tree.Node
	var start string
	for e := range w.get("/fhir/Task?code=release-step&_count=200", w.of(labA)).doc.Get("entry").Items() {
		real = append(real, e.Get("resource"))
	}
	plan := w.get("/fhir/CarePlan", w.of(labA)).doc.Get("entry").At(0).Get("resource")
	start = plan.Get("period").Str("start")
	stored := w.get("/fhir/CarePlan?_summary=count", w.as(nil)).text + w.get("/fhir/Task?_summary=count", w.as(nil)).text

	a := w.applied(w.of(labA), fmt.Sprintf(`{"name":"subject","valueString":%q}`, w.patientOf(labA)), fmt.Sprintf(`{"name":"start","valueDateTime":%q}`, start),
		`{"name":"volume","valueQuantity":{"value":12,"unit":"mL","system":"http://unitsofmeasure.org","code":"mL"}}`, `{"name":"kind","valueCode":"diagnostic"}`)
	require.Equal(t, 200, a.StatusCode, a.text)
	validR4(t, a.text)
	require.Equal(t, "CarePlan", a.doc.Str("resourceType"))
	require.Equal(t, "draft", a.doc.Str("status"))
	require.Equal(t, "proposal", a.doc.Str("intent"))
	require.Equal(t, "not-stored", a.doc.Get("meta").Get("tag").At(0).Str("code"))
	require.Contains(t, a.text, fhir.Caution)
	require.Contains(t, a.text, "DRAFT, not approved")
	require.Nil(t, a.doc.Get("id"))
	var tasks []*tree.Node
	for n := range a.doc.Get("contained").Items() {
		require.Equal(t, "draft", n.Str("status"))
		require.Equal(t, "proposal", n.Str("intent"))
		require.Equal(t, "#"+n.Str("id"), a.doc.Get("activity").At(len(tasks)).Get("reference").Str("reference"))
		tasks = append(tasks, n)
	}
	require.NotEmpty(t, plannedSteps(tasks))
	require.ElementsMatch(t, plannedSteps(real), plannedSteps(tasks))
	require.Equal(t, stored, w.get("/fhir/CarePlan?_summary=count", w.as(nil)).text+w.get("/fhir/Task?_summary=count", w.as(nil)).text)
}

// What is not asked is said to be supposed.
func TestApplyWithASubjectAlone(t *testing.T) {
	t.Parallel()
	w := newSecured(t)
	w.take(labA, "P-a", "anna")
	a := w.applied(w.of(labA), fmt.Sprintf(`{"name":"subject","valueString":%q}`, w.patientOf(labA)))
	require.Equal(t, 200, a.StatusCode, a.text)
	for _, words := range []string{"the start is now", "the largest that the protocol is made for", "the right one", "nobody has looked yet"} {
		require.Contains(t, a.text, words)
	}
	start, err := time.Parse(time.RFC3339, a.doc.Get("period").Str("start"))
	require.NoError(t, err)
	require.WithinDuration(t, time.Now(), start, 2*time.Minute)
}

func TestApplyRefuses(t *testing.T) {
	t.Parallel()
	w := twoUnits(t)
	own := w.of(labA)
	subject := fmt.Sprintf(`{"name":"subject","valueString":%q}`, w.patientOf(labA))
	for _, tt := range []struct {
		parameters []string
		status     int
		code       outcome.Code
		at         string
	}{
		{[]string{`{"name":"kind","valueCode":"diagnostic"}`}, 400, outcome.CodeRequired, "Parameters.parameter"},
		{[]string{`{"name":"subject","valueString":"anna"}`}, 400, outcome.CodeValue, "Parameters.parameter[0].value"},
		{[]string{subject, subject}, 400, outcome.CodeNotSupported, "Parameters.parameter[1]"},
		{[]string{subject, `{"name":"setting","valueCodeableConcept":{"text":"ward"}}`}, 400, outcome.CodeNotSupported, "Parameters.parameter[1]"},
		{[]string{subject, `{"name":"start","valueDateTime":"2026-01-01"}`}, 400, outcome.CodeValue, "Parameters.parameter[1].value"},
		{[]string{subject, `{"name":"volume","valueQuantity":{"value":-3,"unit":"mL","system":"http://unitsofmeasure.org","code":"mL"}}`}, 400, outcome.CodeValue, "Parameters.parameter[1].value.value"},
		{[]string{subject, `{"name":"side","valueCode":"both"}`}, 400, outcome.CodeCodeInvalid, "Parameters.parameter[1].value"},
		{[]string{subject, `{"name":"kind","valueCode":"intervention"}`}, 422, outcome.CodeBusinessRule, "Parameters.parameter[1].value"},
		{[]string{`{"name":"subject","valueString":"Patient/nobody"}`}, 422, outcome.CodeBusinessRule, "Parameters.parameter[0].value"},
		{[]string{fmt.Sprintf(`{"name":"subject","valueString":%q}`, w.patientOf(labB))}, 422, outcome.CodeBusinessRule, "Parameters.parameter[0].value"},
	} {
		issue := w.applied(own, tt.parameters...).refused(t, tt.status, tt.code)
		require.Equal(t, tt.at, expression(issue), tt.parameters)
	}
	w.send(http.MethodPost, "/fhir/PlanDefinition/nothing/$apply", `{"resourceType":"Parameters"}`, own).refused(t, 404, outcome.CodeNotFound)
}

// validR4 holds what is no stored plan against R4's definitions alone.
func validR4(t *testing.T, body string) {
	t.Helper()
	for _, i := range incoming().Resource([]byte(body)) {
		require.False(t, outcome.HasErrors([]outcome.Issue{i}), "%s: %s", i, body)
	}
}
