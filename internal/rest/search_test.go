package rest_test

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/rest"
	"fhirsvc/internal/store"
)

const cs = "https://fhirsvc.example/fhir/CodeSystem/radial-compression"

// listed is a Task of a ward list.
func listed(id, status, code, patient, due string) store.Resource {
	return resource("Task", id, 1, fmt.Sprintf(`{"resourceType":"Task","id":%q,"status":%q,"intent":"order",
		"code":{"coding":[{"system":%q,"code":%q}]},"for":{"reference":"Patient/%s"},
		"groupIdentifier":{"system":"urn:g","value":"e-%s"},
		"restriction":{"period":{"start":%q,"end":%q}}}`, id, status, cs, code, patient, patient, due, due))
}

func ward(t *testing.T) *world {
	t.Helper()
	w := newWorld(t)
	w.put(
		listed("a", "ready", "site-check", "p1", "2025-03-01T09:00:00Z"),
		listed("b", "in-progress", "release-step", "p1", "2025-03-01T11:15:00+02:00"),
		listed("c", "draft", "band-removal", "p1", "2025-03-01T12:00:00Z"),
		listed("d", "ready", "site-check", "p2", "2025-03-01T10:00:00Z"),
		resource("Task", "e", 1, `{"resourceType":"Task","id":"e","status":"completed","intent":"order",
			"for":{"identifier":{"system":"urn:mrn","value":"7"}},"owner":{"reference":"Practitioner/n1"}}`),
		resource("Patient", "p1", 1, `{"resourceType":"Patient","id":"p1","name":[{"family":"Åkesson","given":["Ida"]}],"birthDate":"1950-02-03"}`),
	)
	return w
}

func TestWardList(t *testing.T) {
	t.Parallel()
	w := ward(t)
	tests := []struct {
		query string
		want  []string
	}{
		{"", []string{"a", "b", "c", "d", "e"}},
		{"status=ready", []string{"a", "d"}},
		{"status=ready,in-progress&patient=p1", []string{"a", "b"}},
		{"status:not=completed,draft", []string{"a", "b", "d"}},
		{"status=http://hl7.org/fhir/task-status|ready&patient=Patient/p2", []string{"d"}},
		{"code=" + cs + "|site-check", []string{"a", "d"}},
		{"code=urn:other|site-check", nil},
		{"code=" + cs + "|", []string{"a", "b", "c", "d"}},
		{"subject:Patient=p2", []string{"d"}},
		{"patient:identifier=urn:mrn|7", []string{"e"}},
		{"patient:missing=true", nil},
		{"code:missing=true", []string{"e"}},
		{"owner=Practitioner/n1", []string{"e"}},
		{"owner=n1", []string{"e"}},
		{"group-identifier=urn:g|e-p2", []string{"d"}},
		{"due-date=le2025-03-01T09:15:00Z", []string{"a", "b"}},
		{"due-date=lt2025-03-01T09:15:00Z", []string{"a"}},
		{"due-date=2025-03-01", []string{"a", "b", "c", "d"}},
		{"due-date=2025-03-01T11:15:00%2B02:00", []string{"b"}},
		{"due-date=ge2025-03-01T10:00:00Z&due-date=lt2025-03-01T12:00:00Z", []string{"d"}},
		{"not-before=sa2025-03-01T10:00:00Z", []string{"c"}},
		{"_sort=due-date", []string{"a", "b", "d", "c", "e"}},
		{"_sort=-due-date&status=ready", []string{"d", "a"}},
		{"_id=a,c,zz", []string{"a", "c"}},
		{"_lastUpdated=gt2025-03-01T08:00:02Z", nil},
		{"_lastUpdated=gt2025-03-01T08:00:00Z", []string{"a", "b", "c", "d", "e"}},
	}
	for _, tt := range tests {
		t.Run(tt.query, func(t *testing.T) {
			t.Parallel()
			a := w.get("/fhir/Task?" + tt.query)
			require.Equal(t, 200, a.StatusCode, a.text)
			require.Equal(t, tt.want, a.ids())
			require.Equal(t, fmt.Sprint(len(tt.want)), a.doc.Get("total").Text)
			form := w.send(http.MethodPost, "/fhir/Task/_search", tt.query, "Content-Type: application/x-www-form-urlencoded")
			require.Equal(t, tt.want, form.ids(), "POST gives the same")
			require.Equal(t, a.text, w.get(strings.TrimPrefix(a.link("self"), w.server.URL)).text, "self gives the same")
		})
	}
	require.Equal(t, []string{"p1"}, w.get("/fhir/Patient?name=akes").ids())
	require.Equal(t, []string{"p1"}, w.get("/fhir/Patient?birthdate=1950").ids())
}

// R4 search.html#selflink: what was asked for and not used is not in it.
func TestSelfTellsWhatWasUsed(t *testing.T) {
	t.Parallel()
	w := ward(t)
	a := w.get("/fhir/Task?status=ready&colour=red&_format=json", "Prefer: handling=lenient")
	require.Equal(t, w.server.URL+"/fhir/Task?_count=50&status=ready", a.link("self"))
	require.Equal(t, []string{"a", "d"}, a.ids())
	require.Equal(t, "2", a.doc.Get("total").Text)
	last := a.doc.Get("entry").At(2)
	require.Equal(t, "outcome", last.Get("search").Str("mode"))
	require.Equal(t, "OperationOutcome", last.Get("resource").Str("resourceType"))
	require.Contains(t, a.text, "colour")

	w.get("/fhir/Task?status=ready&colour=red").refused(t, 400, outcome.CodeNotSupported)
	w.get("/fhir/Task?due-date=soon").refused(t, 400, outcome.CodeInvalid)
	w.get("/fhir/Task?_summary=short").refused(t, 400, outcome.CodeNotSupported)
	w.get("/fhir/Task?status=%00").refused(t, 400, outcome.CodeInvalid)
	w.send(http.MethodPost, "/fhir/Task/_search", "{}").refused(t, 415, outcome.CodeNotSupported)
	w.send(http.MethodPost, "/fhir/Task/_search", "a=%zz", "Content-Type: application/x-www-form-urlencoded").refused(t, 400, outcome.CodeInvalid)
}

func TestTotalAlone(t *testing.T) {
	t.Parallel()
	w := ward(t)
	for _, query := range []string{"_summary=count&status=ready", "_count=0&status=ready"} {
		a := w.get("/fhir/Task?" + query)
		require.Equal(t, "2", a.doc.Get("total").Text)
		require.Nil(t, a.doc.Get("entry"), "R4 JSON has no empty arrays")
		require.Empty(t, a.link("next"))
		require.Contains(t, a.link("self"), query[:strings.Index(query, "&")])
	}
}

func TestPaging(t *testing.T) {
	t.Parallel()
	w := ward(t)
	a := w.get("/fhir/Task?_count=2&status:not=completed&_sort=-due-date")
	require.Equal(t, []string{"c", "d"}, a.ids())
	next := a.link("next")
	require.NotContains(t, next, "status", "the filters are inside, sealed")
	a = w.get(strings.TrimPrefix(next, w.server.URL))
	require.Equal(t, []string{"b", "a"}, a.ids())
	require.Equal(t, next, a.link("self"))
	require.Equal(t, "4", a.doc.Get("total").Text)
	require.Empty(t, a.link("next"))

	previous := a.link("previous")
	require.NotContains(t, previous, "status")
	a = w.get(strings.TrimPrefix(previous, w.server.URL))
	require.Equal(t, []string{"c", "d"}, a.ids())
	require.Equal(t, previous, a.link("self"))
	require.Empty(t, a.link("previous"))
	require.Equal(t, []string{"b", "a"}, w.get(strings.TrimPrefix(a.link("next"), w.server.URL)).ids(), "and forward again")

	cursor := next[strings.Index(next, "=")+1:]
	flipped := "A" + cursor[1:]
	if flipped == cursor {
		flipped = "B" + cursor[1:]
	}
	for _, path := range map[string]string{
		"changed":          "/fhir/Task?_cursor=" + flipped,
		"cut":              "/fhir/Task?_cursor=" + cursor[:20],
		"not a cursor":     "/fhir/Task?_cursor=***",
		"nothing":          "/fhir/Task?_cursor=",
		"of another type":  "/fhir/Patient?_cursor=" + cursor,
		"with more filter": "/fhir/Task?status=ready&_cursor=" + cursor,
	} {
		w.get(path).refused(t, 400, outcome.CodeInvalid)
	}
	other := newWorld(t, func(o *rest.Options) { o.PagingKey = []byte("another key") })
	other.get("/fhir/Task?_cursor="+cursor).refused(t, 400, outcome.CodeInvalid)
}

// The pages together are the whole result, each match once and in order, whatever the
// page size, with many equal sort keys, and while others write.
func TestPagesAreTheWhole(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	var all []string
	for i := range 23 {
		id := fmt.Sprintf("t%02d", i)
		due := time.Date(2025, 3, 1, 8+i%4, 0, 0, 0, time.UTC).Format(time.RFC3339)
		w.put(listed(id, "ready", "site-check", "p1", due))
		all = append(all, id)
	}
	w.put(resource("Task", "undated", 1, `{"resourceType":"Task","id":"undated","status":"ready"}`))
	all = append(all, "undated")
	rapid.Check(t, func(rt *rapid.T) {
		sort := rapid.SampledFrom([]string{"", "due-date", "-due-date", "_lastUpdated"}).Draw(rt, "sort")
		count := rapid.IntRange(1, 9).Draw(rt, "count")
		query := url.Values{"_count": {fmt.Sprint(count)}, "status": {"ready"}}
		if sort != "" {
			query.Set("_sort", sort)
		}
		whole := url.Values{"status": {"ready"}}
		if sort != "" {
			whole.Set("_sort", sort)
		}
		want := w.get("/fhir/Task?" + whole.Encode()).ids()
		var got []string
		var pages [][]string
		var last answer
		for next := "/fhir/Task?" + query.Encode(); next != ""; next = strings.TrimPrefix(last.link("next"), w.server.URL) {
			last = w.get(next)
			require.LessOrEqual(rt, len(got), len(all), "paging does not end")
			require.LessOrEqual(rt, len(last.ids()), count)
			got = append(got, last.ids()...)
			pages = append(pages, last.ids())
		}
		for _, page := range slices.Backward(pages[:len(pages)-1]) {
			last = w.get(strings.TrimPrefix(last.link("previous"), w.server.URL))
			require.Equal(rt, page, last.ids(), "the same pages back")
		}
		require.Empty(rt, last.link("previous"))
		require.Equal(rt, want, got)
		slices.Sort(got)
		require.Equal(rt, all, got)
	})
}
