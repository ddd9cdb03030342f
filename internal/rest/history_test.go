package rest_test

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/rest/smart/smarttest"
)

// versionsOf gives the versions of a history, as id/version, in order.
func (a answer) versionsOf() []string {
	var out []string
	for e := range a.doc.Get("entry").Items() {
		out = append(out, e.Get("resource").Str("id")+" "+e.Get("response").Str("etag"))
	}
	return out
}

// R4 http.html#history: of a type as of one, newest first, with _since and _count, each page
// whole.
func TestHistoryOfAType(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	for n := range 3 {
		for _, id := range []string{"a", "b"} {
			w.put(resource("Task", id, int64(n+1), fmt.Sprintf(`{"resourceType":"Task","id":%q,"status":"ready","intent":"order"}`, id)))
		}
	}
	all := []string{`b W/"3"`, `a W/"3"`, `b W/"2"`, `a W/"2"`, `b W/"1"`, `a W/"1"`}
	whole := w.get("/fhir/Task/_history")
	require.Equal(t, 200, whole.StatusCode, whole.text)
	plain(t, whole.text)
	require.Equal(t, all, whole.versionsOf())
	require.Empty(t, whole.link("next"))
	require.Equal(t, "6", whole.doc.Get("total").Text)
	require.Nil(t, w.get("/fhir/Task/_history?_count=2").doc.Get("total"), "of more than a page nobody counts them")
	for query, want := range map[string][]string{
		"Task/_history?_since=2025-03-01T08:00:02.250Z":         all[:4],
		"Task/_history?_since=2025-03-01T08:00:02.2500001Z":     all[:2],
		"Task/a/_history?_since=2025-03-01T09:00:02.25%2B01:00": {all[1], all[3]},
		"Task/a/_history?_since=2026-01-01T00:00:00Z":           nil,
	} {
		a := w.get("/fhir/" + query)
		require.Equal(t, 200, a.StatusCode, a.text)
		require.Equal(t, want, a.versionsOf(), query)
		plain(t, a.text)
		require.Equal(t, a.text, w.get(strings.TrimPrefix(a.link("self"), w.server.URL)).text, "self gives the same")
		var got []string
		for next := "/fhir/" + query + "&_count=1"; next != ""; {
			page := w.get(next)
			require.LessOrEqual(t, len(page.versionsOf()), 1)
			got = append(got, page.versionsOf()...)
			if next = strings.TrimPrefix(page.link("next"), w.server.URL); next != "" {
				require.NotContains(t, next, "_since", "it is inside, sealed")
				require.Equal(t, 400, w.get(strings.Replace(next, "Task", "Patient", 1)).StatusCode, "of another list")
			}
		}
		require.Equal(t, want, got)
	}
	batch := w.send("POST", "/fhir", bundleOf("transaction", entryOf("GET", "Task/_history?_count=2", ""), entryOf("GET", "Task/a/_history?_count=1", "")))
	require.Equal(t, 200, batch.StatusCode, batch.text)
	require.Equal(t, 2, batch.doc.Get("entry").At(0).Get("resource").Get("entry").Len())
	require.Equal(t, 1, batch.doc.Get("entry").At(1).Get("resource").Get("entry").Len())
	require.Equal(t, 400, w.send("POST", "/fhir", bundleOf("transaction", entryOf("GET", "Task/_history?_at=1", ""))).StatusCode)
}

// What a unit's history of a type has is what it can read, version by version.
func TestHistoriesStayInTheUnit(t *testing.T) {
	t.Parallel()
	w := twoUnits(t)
	a, both := w.of(labA), w.of(labA, labB)
	for _, resourceType := range []string{"Task", "CarePlan", "Patient", "Encounter", "Provenance", "PlanDefinition"} {
		mine := w.get("/fhir/"+resourceType+"/_history", a)
		require.NotEmpty(t, mine.versionsOf(), resourceType)
		for e := range mine.doc.Get("entry").Items() {
			version := strings.Trim(strings.TrimPrefix(e.Get("response").Str("etag"), "W/"), `"`)
			require.Equal(t, 200, w.get("/fhir/"+resourceType+"/"+e.Get("resource").Str("id")+"/_history/"+version, a).StatusCode)
		}
		if resourceType != "PlanDefinition" {
			require.Greater(t, len(w.get("/fhir/"+resourceType+"/_history", both).versionsOf()), len(mine.versionsOf()), resourceType)
		}
		require.Equal(t, 403, w.get("/fhir/"+resourceType+"/_history", w.as(smarttest.Claims{"scope": "system/" + resourceType + ".r"})).StatusCode, "of a type, as a search is")
	}
	from := len(w.trail())
	w.get("/fhir/Task/_history", a)
	list := records(t, w.trail())[from:]
	require.Equal(t, "history-type", list[0].Get("subtype").At(0).Str("code"))
}
