package rest_test

import (
	"fmt"
	"net/http"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/rest/smart/smarttest"
	"fhirsvc/internal/store"
)

// included gives what a searchset includes, as Type/id/version, in order.
func (a answer) included() []string {
	var out []string
	for e := range a.doc.Get("entry").Items() {
		if r := e.Get("resource"); e.Get("search").Str("mode") == "include" {
			out = append(out, r.Str("resourceType")+"/"+r.Str("id"))
		}
	}
	return out
}

// linked is a small ward in which much refers to much.
func linked(t *testing.T) *world {
	t.Helper()
	w := newWorld(t)
	body := func(resourceType, id, more string) store.Resource {
		return resource(resourceType, id, 1, fmt.Sprintf(`{"resourceType":%q,"id":%q%s}`, resourceType, id, more))
	}
	w.put(
		body("Patient", "p1", ""), body("Patient", "p2", ""),
		body("Practitioner", "n1", ""), body("Device", "d1", ""),
		body("Encounter", "e1", `,"subject":{"reference":"Patient/p2"}`),
		body("Task", "a", `,"status":"ready","for":{"reference":"Patient/p1"},"owner":{"reference":"Practitioner/n1"},"encounter":{"reference":"Encounter/e1"}`),
		body("Task", "b", `,"status":"ready","for":{"reference":"Patient/p1"},"owner":{"reference":"Device/d1"},"partOf":[{"reference":"Task/a"}]`),
		body("Task", "c", `,"status":"draft","for":{"reference":"Patient/p2"},"partOf":[{"reference":"Task/b"}],"focus":{"reference":"Task/a/_history/1"}`),
		body("Task", "d", `,"status":"draft","for":{"reference":"Patient/nobody"},"owner":{"identifier":{"value":"7"}},"focus":{"reference":"https://else.example/Patient/p1"}`),
		body("Provenance", "v1", `,"target":[{"reference":"Task/a/_history/1"},{"reference":"Task/b/_history/9"}],"agent":[{"who":{"reference":"Practitioner/n1"}}]`),
		body("CarePlan", "k1", `,"subject":{"reference":"Patient/p1"},"instantiatesCanonical":["https://site.example/P|1"],"activity":[{"reference":{"reference":"Task/a"}},{"reference":{"reference":"Task/b"}}]`),
		body("CarePlan", "k2", `,"subject":{"reference":"Patient/p2"},"instantiatesCanonical":["https://site.example/P"]`),
		body("PlanDefinition", "P-1", `,"url":"https://site.example/P","version":"1"`),
		body("PlanDefinition", "P-2", `,"url":"https://site.example/P","version":"2"`),
	)
	w.put(resource("Task", "a", 2, `{"resourceType":"Task","id":"a","status":"ready","for":{"reference":"Patient/p1"},"owner":{"reference":"Practitioner/n1"},"encounter":{"reference":"Encounter/e1"}}`))
	return w
}

// The joins are those of hl7.org/fhir/R4/search.html#include.
func TestIncludes(t *testing.T) {
	t.Parallel()
	w := linked(t)
	tests := []struct {
		query           string
		match, included []string
	}{
		{"Task?status=ready&_include=Task:patient", []string{"a", "b"}, []string{"Patient/p1"}},
		{"Task?_id=a,b&_include=Task:owner&_include=Task:patient", []string{"a", "b"}, []string{"Device/d1", "Patient/p1", "Practitioner/n1"}},
		{"Task?_include=Task:owner:Practitioner", []string{"a", "b", "c", "d"}, []string{"Practitioner/n1"}},
		{"Task?_id=d&_include=Task:patient&_include=Task:owner&_include=Task:focus", []string{"d"}, nil},
		{"Task?_id=a&_include=Task:encounter", []string{"a"}, []string{"Encounter/e1"}},
		{"Task?_id=a&_include=Task:encounter&_include:iterate=Encounter:patient", []string{"a"}, []string{"Encounter/e1", "Patient/p2"}},
		{"Task?_id=c&_include=Task:part-of", []string{"c"}, []string{"Task/b"}},
		{"Task?_id=c&_include:iterate=Task:part-of", []string{"c"}, []string{"Task/a", "Task/b"}},
		{"Task?_id=b,c&_include:iterate=Task:part-of", []string{"b", "c"}, []string{"Task/a"}},
		{"Task?_id=a&_revinclude=Task:part-of", []string{"a"}, []string{"Task/b"}},
		{"Task?_id=a&_revinclude:iterate=Task:part-of", []string{"a"}, []string{"Task/b", "Task/c"}},
		{"Task?_id=a&_revinclude=Provenance:target&_include:iterate=Provenance:agent", []string{"a"}, []string{"Practitioner/n1", "Provenance/v1"}},
		{"Task?_id=a&_revinclude=CarePlan:activity-reference", []string{"a"}, []string{"CarePlan/k1"}},
		{"Patient?_id=p1&_revinclude=Task:patient&_revinclude=CarePlan:patient", []string{"p1"}, []string{"CarePlan/k1", "Task/a", "Task/b"}},
		{"Patient?_id=p1&_revinclude=Task:subject:Patient", []string{"p1"}, []string{"Task/a", "Task/b"}},
		{"Provenance?_include=Provenance:target", []string{"v1"}, []string{"Task/a"}},
		{"CarePlan?_id=k1&_include=CarePlan:instantiates-canonical", []string{"k1"}, []string{"PlanDefinition/P-1"}},
		{"CarePlan?_id=k2&_include=CarePlan:instantiates-canonical", []string{"k2"}, []string{"PlanDefinition/P-1", "PlanDefinition/P-2"}},
		{"PlanDefinition?_id=P-1&_revinclude=CarePlan:instantiates-canonical", []string{"P-1"}, []string{"CarePlan/k1", "CarePlan/k2"}},
		{"PlanDefinition?_id=P-2&_revinclude=CarePlan:instantiates-canonical", []string{"P-2"}, []string{"CarePlan/k2"}},
	}
	for _, tt := range tests {
		t.Run(tt.query, func(t *testing.T) {
			t.Parallel()
			a := w.get("/fhir/" + tt.query)
			require.Equal(t, 200, a.StatusCode, a.text)
			require.Equal(t, tt.match, a.ids())
			require.Equal(t, tt.included, a.included())
			require.Equal(t, fmt.Sprint(len(tt.match)), a.doc.Get("total").Text, "matches alone count")
			resourceType, form, _ := strings.Cut(tt.query, "?")
			posted := w.send(http.MethodPost, "/fhir/"+resourceType+"/_search", form, "Content-Type: application/x-www-form-urlencoded")
			require.Equal(t, a.text, posted.text, "POST gives the same")
			require.Equal(t, a.text, w.get(strings.TrimPrefix(a.link("self"), w.server.URL)).text, "self gives the same")
		})
	}
}

// A version that a reference names is what is included (R4 search.html#versions), beside
// the current one if that is asked for as well.
func TestIncludesTheVersionThatIsReferredTo(t *testing.T) {
	t.Parallel()
	w := linked(t)
	a := w.get("/fhir/Task?_id=a,c&_include=Task:focus")
	require.Equal(t, []string{"Task/a"}, a.included())
	old := a.doc.Get("entry").At(2)
	require.NotContains(t, a.doc.Get("entry").At(0).Str("fullUrl"), "_history", "bdl-8")
	require.Equal(t, a.doc.Get("entry").At(0).Str("fullUrl"), old.Str("fullUrl"))
}

// Each page has what belongs to its own matches (R4 search.html#Paging), and _count is of
// matches.
func TestPagesAreWholeWithTheirIncludes(t *testing.T) {
	t.Parallel()
	w := linked(t)
	next := "/fhir/Task?_count=1&_include=Task:patient&_revinclude=Provenance:target"
	var got []string
	for next != "" {
		a := w.get(next)
		require.Equal(t, "4", a.doc.Get("total").Text)
		require.Len(t, a.ids(), 1)
		got = append(got, fmt.Sprint(a.ids(), a.included()))
		next = strings.TrimPrefix(a.link("next"), w.server.URL)
		require.NotContains(t, next, "_include", "the includes are inside, sealed")
	}
	require.Equal(t, []string{"[a] [Patient/p1 Provenance/v1]", "[b] [Patient/p1 Provenance/v1]", "[c] [Patient/p2]", "[d] []"}, got)
	count := w.get("/fhir/Task?_summary=count&_include=Task:patient")
	require.Nil(t, count.doc.Get("entry"))
}

func TestIncludesThatAreRefused(t *testing.T) {
	t.Parallel()
	w := linked(t)
	for query, code := range map[string]outcome.Code{
		"_include=*":                              outcome.CodeNotSupported,
		"_include=Task:*":                         outcome.CodeNotSupported,
		"_include=Task:status":                    outcome.CodeNotSupported,
		"_include=Task:colour":                    outcome.CodeNotSupported,
		"_include=Task:owner:Organization":        outcome.CodeNotSupported,
		"_include=Encounter:location:Location":    outcome.CodeNotSupported,
		"_include:recurse=Task:part-of":           outcome.CodeNotSupported,
		"_include=Task":                           outcome.CodeInvalid,
		"_include=":                               outcome.CodeInvalid,
		"_include=Task:owner,Task:patient":        outcome.CodeNotSupported,
		"_include=Task:owner:Practitioner:x":      outcome.CodeInvalid,
		"_include=CarePlan:subject":               outcome.CodeInvalid,
		"_revinclude=Observation:encounter":       outcome.CodeInvalid,
		"_revinclude=Task:patient":                outcome.CodeInvalid,
		"_revinclude=Provenance:target:Procedure": outcome.CodeInvalid,
	} {
		w.get("/fhir/Task?"+query).refused(t, 400, code)
	}
	a := w.get("/fhir/Task?_id=a&_include=Task:colour&_include=Task:patient", "Prefer: handling=lenient")
	require.Equal(t, []string{"Patient/p1"}, a.included())
	require.NotContains(t, a.link("self"), "colour")
	require.Contains(t, a.text, "left out")
}

// A page stays of a size that a client can hold.
func TestAPageIncludesNoMoreThanItsLimit(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.put(resource("Patient", "p", 1, `{"resourceType":"Patient","id":"p"}`))
	var many []store.Resource
	for i := range 1001 {
		id := fmt.Sprintf("t%d", i)
		many = append(many, resource("Task", id, 1, `{"resourceType":"Task","id":"`+id+`","for":{"reference":"Patient/p"}}`))
	}
	w.put(many[:1000]...)
	require.Len(t, w.get("/fhir/Patient?_revinclude=Task:patient").included(), 1000)
	w.put(many[1000])
	w.get("/fhir/Patient?_revinclude=Task:patient").refused(t, 403, outcome.CodeTooCostly)
}

// besideReference is what R4 requires beside a reference in an element.
var besideReference = map[string]string{
	"DocumentReference.relatesTo": `"code":"appends"`, "Patient.link": `"type":"seealso"`, "Provenance.entity": `"role":"source"`,
}

// referring is a body that refers to something under a published expression; "" for a
// canonical, which refers to no id.
func referring(t *testing.T, resourceType, param, ref string) string {
	t.Helper()
	for _, p := range search.Params(resourceType) {
		if p.Code != param {
			continue
		}
		first, _, _ := strings.Cut(p.Expression, " | ")
		first = regexp.MustCompile(`\.where\(resolve\(\) is \w+\)`).ReplaceAllString(first, "")
		require.NotContains(t, first, "(", "an expression of another form")
		steps := strings.Split(first, ".")[1:]
		body := `{"reference":"` + ref + `"}`
		for n, s := range slices.Backward(steps) {
			within := &definitions.R4().Type(resourceType).Shape
			for _, parent := range steps[:n] {
				within = within.Member(parent).Shape
			}
			if beside := besideReference[resourceType+"."+s]; beside != "" {
				body = "{" + beside + "," + body[1:]
			}
			if within.Member(s).Element.Repeats() {
				body = "[" + body + "]"
			}
			body = `{"` + s + `":` + body + `}`
		}
		return fmt.Sprintf(`{"resourceType":%q,"id":"source",%s`, resourceType, body[1:])
	}
	t.Fatalf("no such parameter: %s %s", resourceType, param)
	return ""
}

// Of every include that is advertised: it leads to its target, and never into another
// unit; what is refused without a scope is its own type's.
func TestNoIncludeLeavesTheUnits(t *testing.T) {
	t.Parallel()
	open := map[string]bool{"Practitioner": true, "PlanDefinition": true, "CodeSystem": true, "SearchParameter": true, "Questionnaire": true}
	canonical := map[string]bool{"instantiates-canonical": true, "definition": true, "depends-on": true, "derived-from": true}
	w := newSecured(t)
	both, mine, theirs := w.of(labA, labB), w.of(labA), w.of(labB)
	checked := 0
	for source := range w.get("/fhir/metadata").doc.Get("rest").At(0).Get("resource").Items() {
		for advertised := range source.Get("searchInclude").Items() {
			sourceType, param, _ := strings.Cut(advertised.Text, ":")
			if open[sourceType] || canonical[param] && sourceType != "Observation" {
				continue
			}
			for _, p := range search.Params(sourceType) {
				if p.Code != param {
					continue
				}
				for _, target := range p.Targets {
					if open[target] || target == "AuditEvent" || target == "Subscription" || sourceType == "AuditEvent" {
						continue // seen by all; of no unit alone; its owner's
					}
					checked++
					id := fmt.Sprintf("x%d", checked)
					source := resource(sourceType, "s-"+id, 1, strings.Replace(referring(t, sourceType, param, target+"/t-"+id), `"source"`, `"s-`+id+`"`, 1))
					source.Unit = labA
					to := resource(target, "t-"+id, 1, `{"resourceType":"`+target+`","id":"t-`+id+`"}`)
					to.Unit = labB
					w.put(source, to)
					forward := "/fhir/" + sourceType + "?_id=s-" + id + "&_include=" + advertised.Text + ":" + target
					require.Equal(t, []string{target + "/t-" + id}, w.get(forward, both).included(), forward)
					a := w.get(forward, mine)
					require.Equal(t, []string{"s-" + id}, a.ids(), forward)
					require.Empty(t, a.included(), forward)
					back := "/fhir/" + target + "?_id=t-" + id + "&_revinclude=" + advertised.Text
					require.Equal(t, []string{sourceType + "/s-" + id}, w.get(back, both).included(), back)
					a = w.get(back, theirs)
					require.Equal(t, []string{"t-" + id}, a.ids(), back)
					require.Empty(t, a.included(), back)

					if sourceType == target {
						continue
					}
					refused := w.get(forward, w.as(smarttest.Claims{"scope": "system/" + sourceType + ".cruds"}))
					refused.refused(t, 403, outcome.CodeForbidden)
					require.Contains(t, refused.Header.Get("WWW-Authenticate"), "system/"+target+".s")
					w.get(back, w.as(smarttest.Claims{"scope": "system/" + target + ".cruds"})).refused(t, 403, outcome.CodeForbidden)
				}
			}
		}
	}
	require.Greater(t, checked, 180)
	t.Logf("%d includes", checked)
}

// Without a scope for it, a type is refused if it was named, and left out if it was one of
// several; entries of Bundles are held to the same.
func TestIncludesAreHeldToTheScopes(t *testing.T) {
	t.Parallel()
	w := newSecured(t)
	w.take(labA, "P-a", "anna")
	scope := func(text string) string { return w.as(smarttest.Claims{"scope": text}) }
	w.audit.taken()
	w.get("/fhir/Task?_include=Task:patient", scope("system/Task.rs")).refused(t, 403, outcome.CodeForbidden)
	noted := w.audit.taken()
	require.Len(t, noted, 1)
	require.True(t, noted[0].Alert)
	require.Equal(t, 200, w.get("/fhir/Task?_include=Task:patient", scope("system/Task.rs system/Patient.s")).StatusCode)

	some := w.get("/fhir/Task?_include=Task:subject", scope("system/Task.rs system/Device.s"))
	require.Equal(t, 200, some.StatusCode, some.text)
	require.Empty(t, some.included())
	require.Contains(t, some.text, "left out")
	sound(t, some.text)
	w.get("/fhir/Task?_include=Task:owner", scope("system/Task.rs")).refused(t, 403, outcome.CodeForbidden)
	w.get("/fhir/Task?_revinclude=AuditEvent:entity", scope("system/*.cruds")).refused(t, 403, outcome.CodeForbidden)

	entry := entryOf("GET", "Task?_include=Task:patient", "")
	batch := w.send(http.MethodPost, "/fhir", bundleOf("batch", entry), scope("system/Task.rs"))
	require.Equal(t, "403 Forbidden", batch.doc.Get("entry").At(0).Get("response").Str("status"))
	w.audit.taken()
	refused := w.send(http.MethodPost, "/fhir", bundleOf("transaction", entry), scope("system/Task.rs"))
	refused.refused(t, 403, outcome.CodeForbidden)
	require.Contains(t, refused.Header.Get("WWW-Authenticate"), "system/Patient.s")
	require.Len(t, w.audit.taken(), 1)

	// Versions are read, so they need the scope to read.
	provenance := w.get("/fhir/Provenance?_include=Provenance:target:Task", scope("system/Provenance.s system/Task.s"))
	require.Empty(t, provenance.included())
	require.NotEmpty(t, w.get("/fhir/Provenance?_include=Provenance:target:Task", scope("system/Provenance.s system/Task.rs")).included())
}

// What was included is told to the audit trail, version by version, with its patients.
func TestIncludesAreRecorded(t *testing.T) {
	t.Parallel()
	w := newSecured(t)
	w.take(labA, "P-a", "anna")
	from := len(w.trail())
	a := w.get("/fhir/Task?_include=Task:patient&_revinclude=CarePlan:activity-reference&_count=1", w.of(labA))
	sound(t, a.text)
	require.Len(t, a.included(), 2, a.text)
	list := records(t, w.trail())[from:]
	require.Len(t, list, 1)
	told := map[string]bool{}
	for e := range list[0].Get("entity").Items() {
		told[e.Get("what").Str("reference")] = true
	}
	for e := range a.doc.Get("entry").Items() {
		if e.Get("search").Str("mode") == "include" {
			r := e.Get("resource")
			require.True(t, told[r.Str("resourceType")+"/"+r.Str("id")+"/_history/"+r.Get("meta").Str("versionId")], r.Str("resourceType"))
		}
	}
	require.True(t, told["Patient/"+w.get("/fhir/Patient", w.of(labA)).ids()[0]])
	require.NotContains(t, string(list[0].Body), "anna")
}
