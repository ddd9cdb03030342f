package rest_test

import (
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/rest"
	"fhirsvc/internal/rest/smart/smarttest"
)

// searched is a small ward with patients, Tasks and Observations.
func searched(t *testing.T, change ...func(*rest.Options)) *world {
	t.Helper()
	w := newWorld(t, change...)
	task := func(id, priority, patient, due, more string) {
		w.put(resource("Task", id, 1, fmt.Sprintf(`{"resourceType":"Task","id":%q,"status":"ready","priority":%q,"for":{"reference":"Patient/%s","display":"Bed %s"},
			"code":{"text":"Look at the site","coding":[{"system":"urn:cs","code":"look","display":"Site check"}]},"restriction":{"period":{"end":%q}}%s}`, id, priority, patient, id, due, more)))
	}
	w.put(
		resource("Patient", "p1", 1, `{"resourceType":"Patient","id":"p1","identifier":[{"system":"urn:mrn","value":"1"}],"name":[{"family":"Åkesson","given":["Ida"]}],"birthDate":"1950-02-03"}`),
		resource("Patient", "p2", 1, `{"resourceType":"Patient","id":"p2","identifier":[{"system":"urn:mrn","value":"2"}],"name":[{"family":"Berg","given":["Idar"]}],"gender":"male"}`),
	)
	task("a", "stat", "p1", "2025-03-01T09:00:00Z", "")
	task("b", "routine", "p2", "2025-03-01T09:00:00Z", `,"partOf":[{"reference":"Task/a"}]`)
	task("c", "routine", "p1", "2025-03-01T08:00:00Z", `,"partOf":[{"reference":"Task/b"}]`)
	observation := func(id, patient, code, value string) {
		w.put(resource("Observation", id, 1, fmt.Sprintf(`{"resourceType":"Observation","id":%q,"status":"final","subject":{"reference":"Patient/%s"},
			"code":{"coding":[{"system":"urn:cs","code":%q}]},%s}`, id, patient, code, value)))
	}
	observation("v1", "p1", "volume", `"valueQuantity":{"value":12.0,"unit":"mL","system":"http://unitsofmeasure.org","code":"mL"}`)
	observation("v2", "p2", "volume", `"valueQuantity":{"value":3,"unit":"mL","system":"http://unitsofmeasure.org","code":"mL"}`)
	observation("v3", "p2", "pressure", `"component":[{"code":{"text":"s"},"valueQuantity":{"value":120,"unit":"mmHg","system":"http://unitsofmeasure.org","code":"mm[Hg]"}}]`)
	observation("v4", "p1", "bleeding", `"valueCodeableConcept":{"coding":[{"system":"urn:a","code":"none"}]}`)
	return w
}

// The forms are those of hl7.org/fhir/R4/search.html: modifiers, prefix, quantity,
// chaining, has, composite, sort.
func TestSearches(t *testing.T) {
	t.Parallel()
	w := searched(t, func(o *rest.Options) {
		o.Clock = func() time.Time { return time.Date(2025, 3, 1, 19, 0, 0, 0, time.UTC) }
	})
	tests := []struct {
		query string
		want  []string
	}{
		{"Patient?family:exact=Åkesson", []string{"p1"}},
		{"Patient?family:exact=åkesson", nil},
		{"Patient?name:contains=DA", []string{"p1", "p2"}},
		{"Patient?name:contains=kess", []string{"p1"}},
		{"Task?code:text=site", []string{"a", "b", "c"}},
		{"Task?code:text=LOOK AT", []string{"a", "b", "c"}},
		{"Task?code:text=check", nil},
		{"Task?patient:text=bed a", []string{"a"}},
		{"Task?priority:not=routine", []string{"a"}},
		{"Task?due-date=ap2025-03-01T08:10:00Z", []string{"a", "b", "c"}},
		{"Task?due-date=ap2025-03-01T07:00:00Z", []string{"c"}},
		{"Task?patient.identifier=urn:mrn|1", []string{"a", "c"}},
		{"Task?subject:Patient.name=ida", []string{"a", "b", "c"}},
		{"Task?subject:Patient.name:exact=Ida", []string{"a", "c"}},
		{"Task?patient.birthdate=lt1960&priority=routine", []string{"c"}},
		{"Task?patient.gender:missing=true", []string{"a", "c"}},
		{"Task?part-of.patient.identifier=urn:mrn|1", []string{"b"}},
		{"Task?part-of.part-of.patient.name=akesson", []string{"c"}},
		{"Task?part-of._id=a", []string{"b"}},
		{"Patient?_has:Task:patient:priority=stat", []string{"p1"}},
		{"Patient?_has:Task:patient:priority=stat,routine", []string{"p1", "p2"}},
		{"Patient?_has:Observation:patient:code=urn:cs|pressure&_has:Task:subject:status=ready", []string{"p2"}},
		{"Patient?_has:Observation:patient:value-quantity=gt5", []string{"p1"}},
		{"Patient?_has:Task:patient:_has:Task:part-of:priority=routine", []string{"p1", "p2"}},
		{"Task?_has:Task:part-of:patient.identifier=urn:mrn|2", []string{"a"}},
		{"Observation?value-quantity=12", []string{"v1"}},
		{"Observation?value-quantity=12.04", nil},
		{"Observation?value-quantity=gt3|http://unitsofmeasure.org|mL", []string{"v1"}},
		{"Observation?value-quantity=gt1||mL", []string{"v1", "v2"}},
		{"Observation?value-quantity=gt1||L", nil},
		{"Observation?value-quantity=ap11", []string{"v1"}},
		{"Observation?value-quantity:missing=true", []string{"v3", "v4"}},
		{"Observation?component-value-quantity=ge120||mmHg", []string{"v3"}},
		{"Observation?code-value-quantity=urn:cs|volume$lt5", []string{"v2"}},
		{"Observation?code-value-quantity=pressure$gt1,volume$gt5", []string{"v1"}},
		{"Observation?code-value-concept=bleeding$urn:a|none", []string{"v4"}},
		{"Observation?code-value-concept=volume$none", nil},
		{"Task?_sort=-priority,due-date", []string{"a", "c", "b"}},
		{"Task?_sort=patient,-_id", []string{"c", "a", "b"}},
		{"Patient?_sort=-family", []string{"p2", "p1"}},
		{"Patient?_sort=gender", []string{"p2", "p1"}},
		{"Observation?_sort=-value-quantity", []string{"v1", "v2", "v3", "v4"}},
	}
	for _, tt := range tests {
		t.Run(tt.query, func(t *testing.T) {
			t.Parallel()
			query := strings.ReplaceAll(tt.query, " ", "%20")
			a := w.get("/fhir/" + query)
			require.Equal(t, 200, a.StatusCode, a.text)
			require.Equal(t, tt.want, a.ids())
			require.Equal(t, fmt.Sprint(len(tt.want)), a.doc.Get("total").Text)
			require.Equal(t, a.text, w.get(strings.TrimPrefix(a.link("self"), w.server.URL)).text, "self gives the same")
			var paged []string
			separator := map[bool]string{true: "&", false: "?"}[strings.Contains(query, "?")]
			for next := "/fhir/" + query + separator + "_count=1&_total=none"; next != ""; {
				page := w.get(next)
				require.Equal(t, 200, page.StatusCode, page.text)
				require.Nil(t, page.doc.Get("total"))
				paged = append(paged, page.ids()...)
				next = strings.TrimPrefix(page.link("next"), w.server.URL)
			}
			require.Equal(t, tt.want, paged)
		})
	}
	count := w.get("/fhir/Task?_summary=count&_total=none")
	require.Equal(t, "3", count.doc.Get("total").Text, "a count is what is asked for")
}

// Of another unit's records a chain tells nothing, and of a type without a scope neither.
func TestNoChainLeavesUnitsAndScopes(t *testing.T) {
	t.Parallel()
	w := twoUnits(t)
	a, b := w.of(labA), w.of(labB)
	require.Equal(t, 201, w.send(http.MethodPost, "/fhir/Observation", findingOf("bert"), b).StatusCode)
	w.take(labB, "P-a2", "anna") // a patient of both
	for query, want := range map[string][2]string{
		"Patient?_has:Observation:patient:code=access-site-bleeding":       {"0", "1"},
		"Patient?_has:CarePlan:patient:_id=" + w.id("CarePlan", labA):      {"1", "0"},
		"Task?patient.identifier=urn:patients|bert&_count=0":               {"0", ""},
		"Patient?_has:Task:patient:_has:Provenance:target:recorded=gt2025": {"1", "2"},
		"Observation?encounter.identifier=urn:visits|v-bert&_count=0":      {"0", ""},
	} {
		got := w.get("/fhir/"+query, a)
		require.Equal(t, 200, got.StatusCode, got.text)
		require.Equal(t, want[0], got.doc.Get("total").Text, query)
		if want[1] != "" {
			require.Equal(t, want[1], w.get("/fhir/"+query, b).doc.Get("total").Text, query)
		}
	}
	require.NotEqual(t, "0", w.get("/fhir/Task?patient.identifier=urn:patients|bert", b).doc.Get("total").Text)

	for query, scope := range map[string]string{
		"Task?patient.identifier=urn:patients|bert":           "system/Patient.s",
		"Task?part-of.patient.identifier=urn:patients|bert":   "system/Patient.s",
		"Task?_has:Provenance:target:recorded=gt2025":         "system/Provenance.s",
		"Task?_has:AuditEvent:entity:date=gt2025":             "system/AuditEvent.s",
		"Task?_has:Task:part-of:_has:Provenance:target:_id=x": "system/Provenance.s",
	} {
		w.audit.taken()
		refused := w.get("/fhir/"+query, w.as(smarttest.Claims{"scope": "system/Task.rs"}))
		refused.refused(t, 403, outcome.CodeForbidden)
		require.Contains(t, refused.Header.Get("WWW-Authenticate"), scope)
		require.True(t, w.audit.taken()[0].Alert)
	}
	// A conditional create looks for something, too.
	w.send(http.MethodPost, "/fhir/Observation", findingOf("anna"), w.as(smarttest.Claims{"scope": "system/Observation.cs"}),
		"If-None-Exist: patient.identifier=urn:patients|bert").refused(t, 403, outcome.CodeForbidden)

	// Nor does a chain tell of what is another client's own, though its units are all.
	mine := w.as(smarttest.Claims{"scope": "system/*.cruds system/AuditEvent.rs"})
	theirs := resource("Subscription", "theirs", 1, `{"resourceType":"Subscription","id":"theirs","status":"off","channel":{"type":"rest-hook","endpoint":"https://else.example"}}`)
	told := resource("Provenance", "told", 1, `{"resourceType":"Provenance","id":"told","target":[{"reference":"Subscription/theirs"}]}`)
	theirs.Unit = "urn:fhirsvc:client|other"
	w.put(theirs, told)
	require.Equal(t, 200, w.get("/fhir/Provenance/told", mine).StatusCode)
	for _, query := range []string{"Provenance?target:Subscription._id=theirs", "Provenance?target:Subscription.url=https://else.example"} {
		a := w.get("/fhir/"+query, mine)
		require.Equal(t, 200, a.StatusCode, a.text)
		require.Equal(t, "0", a.doc.Get("total").Text, query)
	}
	require.Empty(t, w.get("/fhir/Provenance?_id=told&_include=Provenance:target", mine).included())

	from := len(w.trail())
	w.get("/fhir/Task?patient.identifier=urn:patients|bert&part-of.subject=Patient/p-7", b)
	list := records(t, w.trail())[from:]
	require.NotContains(t, string(list[0].Body), "bert")
	require.Contains(t, string(list[0].Body), "Patient/p-7", "the patient that was asked about")
}
