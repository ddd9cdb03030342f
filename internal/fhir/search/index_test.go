package search_test

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/search"
)

func at(t *testing.T, text string) int64 {
	t.Helper()
	v, err := time.Parse(time.RFC3339Nano, text)
	require.NoError(t, err)
	return v.UnixNano()
}

// indexed gives the values of one parameter.
func indexed(resourceType, body, param string) []search.Value {
	var out []search.Value
	for _, v := range search.Index(resourceType, []byte(body)) {
		if v.Param == param {
			v.Param = ""
			out = append(out, v)
		}
	}
	return out
}

// Of many values each is there once, in the order of the text, as of few; and what is kept for
// the next resource says nothing of this one.
func TestIndexManyValues(t *testing.T) {
	t.Parallel()
	for _, n := range []int{1, 15, 16, 17, 40, 3000} {
		var list, want []string
		for i := range n {
			list = append(list, fmt.Sprintf(`{"value":"%d"}`, i))
			want = append(want, strconv.Itoa(i))
		}
		list = append(list, list...)
		var got []string
		for _, v := range indexed("Observation", `{"identifier":[`+strings.Join(list, ",")+`],"subject":{"reference":"Patient/a"}}`, "identifier") {
			got = append(got, v.Code)
		}
		require.Equal(t, want, got)
		require.Empty(t, indexed("Observation", `{"status":"final"}`, "identifier"))
		require.Equal(t, []search.Value{{Kind: search.Reference, System: "Patient", Code: "b"}},
			indexed("Observation", `{"subject":{"reference":"Patient/b"}}`, "subject"))
	}
}

func TestIndexTokens(t *testing.T) {
	t.Parallel()
	const cs = "https://fhirsvc.example/fhir/CodeSystem/radial-compression"
	tests := []struct {
		name, resourceType, body, param string
		want                            []search.Value
	}{
		{
			"code with the system of its binding", "Task", `{"status":"ready","statusReason":{"text":"x"}}`, "status",
			[]search.Value{{Kind: search.Token, System: "http://hl7.org/fhir/task-status", Code: "ready"}},
		},
		{
			"every coding of a concept", "Task", `{"code":{"coding":[{"system":"` + cs + `","code":"site-check"},{"code":"bare"}]}}`, "code",
			[]search.Value{{Kind: search.Token, System: cs, Code: "site-check"}, {Kind: search.Token, Code: "bare"}},
		},
		{
			"concept with text alone is there but not found", "Task", `{"code":{"text":"Look"}}`, "code",
			[]search.Value{{Kind: search.Token, Text: "look"}},
		},
		{
			"what a concept is called", "Task", `{"code":{"coding":[{"code":"a","display":"The Site"},{"code":"b"}],"text":"Look"}}`, "code",
			[]search.Value{{Kind: search.Token, Code: "a", Text: "the site"}, {Kind: search.Token, Code: "b"}, {Kind: search.Token, Text: "look"}},
		},
		{
			"what a concept is called, once", "Task", `{"code":{"coding":[{"code":"a","display":"The Site"}],"text":"the site"}}`, "code",
			[]search.Value{{Kind: search.Token, Code: "a", Text: "the site"}},
		},
		{
			"identifier", "Task", `{"groupIdentifier":{"system":"urn:x","value":"7"}}`, "group-identifier",
			[]search.Value{{Kind: search.Token, System: "urn:x", Code: "7"}},
		},
		{"boolean", "Patient", `{"active":false}`, "active", []search.Value{{Kind: search.Token, Code: "false"}}},
		{
			"Coding", "Encounter", `{"class":{"system":"urn:c","code":"IMP"},"classHistory":[{"class":{"code":"AMB"}}]}`, "class",
			[]search.Value{{Kind: search.Token, System: "urn:c", Code: "IMP"}},
		},
		{"status is not statusHistory", "Encounter", `{"statusHistory":[{"status":"planned"}]}`, "status", nil},
		{
			"one type of a choice", "Observation", `{"valueCodeableConcept":{"coding":[{"code":"p"}]}}`, "value-concept",
			[]search.Value{{Kind: search.Token, Code: "p"}},
		},
		{"another type of the choice", "Observation", `{"valueQuantity":{"code":"mL","value":12}}`, "value-concept", nil},
		{
			"both alternatives, each once", "Observation",
			`{"code":{"coding":[{"code":"a"}]},"component":[{"code":{"coding":[{"code":"a"},{"code":"b"}]}}]}`, "combo-code",
			[]search.Value{{Kind: search.Token, Code: "a"}, {Kind: search.Token, Code: "b"}},
		},
		{
			"tag", "Observation", `{"meta":{"tag":[{"system":"` + cs + `","code":"unplaced"}]}}`, "_tag",
			[]search.Value{{Kind: search.Token, System: cs, Code: "unplaced"}},
		},
		{"the store answers _id itself", "Task", `{"id":"1"}`, "_id", nil},
		{"no NUL", "Task", `{"code":{"coding":[{"code":"a\u0000b"}]}}`, "code", []search.Value{{Kind: search.Token, Code: "ab"}}},
		{"unreadable", "Task", `{"status":`, "status", nil},
		{"a type that is not searched", "Group", `{"type":"person"}`, "type", nil},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			require.Equal(t, tt.want, indexed(tt.resourceType, tt.body, tt.param))
		})
	}
}

func TestIndexReferences(t *testing.T) {
	t.Parallel()
	ref := func(system, code string) search.Value {
		return search.Value{Kind: search.Reference, System: system, Code: code}
	}
	tests := []struct {
		name, resourceType, body, param string
		want                            []search.Value
	}{
		{"local", "Task", `{"for":{"reference":"Patient/p1"}}`, "patient", []search.Value{ref("Patient", "p1")}},
		{"of a version", "Task", `{"for":{"reference":"Patient/p1/_history/3"}}`, "subject", []search.Value{ref("Patient", "p1")}},
		{"of another type", "Task", `{"for":{"reference":"Group/g"}}`, "patient", nil},
		{
			"on another server, never ours", "Task", `{"for":{"reference":"https://a.example/fhir/Patient/p1"}}`, "patient",
			[]search.Value{ref("", "https://a.example/fhir/Patient/p1")},
		},
		{"logical, of another type", "Task", `{"for":{"type":"Group","identifier":{"value":"7"}}}`, "patient", nil},
		{"logical, type stated", "Task", `{"for":{"type":"Patient","identifier":{"value":"7"}}}`, "patient", []search.Value{ref("Patient", "")}},
		{
			"logical identifier", "Task", `{"for":{"identifier":{"system":"urn:x","value":"7"}}}`, "patient:identifier",
			[]search.Value{{Kind: search.Token, System: "urn:x", Code: "7"}},
		},
		{
			"canonical with and without version", "CarePlan", `{"instantiatesCanonical":["http://a.example/P|1.2"]}`, "instantiates-canonical",
			[]search.Value{ref("", "http://a.example/P|1.2"), ref("", "http://a.example/P")},
		},
		{
			"every item", "CarePlan", `{"activity":[{"reference":{"reference":"Task/a"}},{"reference":{"reference":"Task/b"}}]}`,
			"activity-reference",
			[]search.Value{ref("Task", "a"), ref("Task", "b")},
		},
		{
			"filtered by kind", "PlanDefinition",
			`{"relatedArtifact":[{"type":"citation","resource":"urn:c"},{"type":"depends-on","resource":"urn:d"}],"library":["urn:l"]}`,
			"depends-on",
			[]search.Value{ref("", "urn:d"), ref("", "urn:l")},
		},
		{"contained: there, but not found by", "Observation", `{"device":{"reference":"#d"}}`, "device", []search.Value{ref("", "")}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			require.Equal(t, tt.want, indexed(tt.resourceType, tt.body, tt.param))
		})
	}
}

// The ranges are those of hl7.org/fhir/R4/search.html#date.
func TestIndexDates(t *testing.T) {
	t.Parallel()
	tests := []struct{ name, body, lo, hi string }{
		{"year", `"effectiveDateTime":"2025"`, "2025-01-01T00:00:00Z", "2025-12-31T23:59:59.999999999Z"},
		{"month in a leap year", `"effectiveDateTime":"2024-02"`, "2024-02-01T00:00:00Z", "2024-02-29T23:59:59.999999999Z"},
		{"day", `"effectiveDateTime":"2025-03-30"`, "2025-03-30T00:00:00Z", "2025-03-30T23:59:59.999999999Z"},
		{"second with offset", `"effectiveDateTime":"2025-03-30T03:30:00+02:00"`, "2025-03-30T01:30:00Z", "2025-03-30T01:30:00.999999999Z"},
		{"milliseconds", `"effectiveInstant":"2025-03-30T01:30:00.120Z"`, "2025-03-30T01:30:00.120Z", "2025-03-30T01:30:00.120999999Z"},
		{"one tenth", `"effectiveInstant":"2025-03-30T01:30:00.1Z"`, "2025-03-30T01:30:00.1Z", "2025-03-30T01:30:00.199999999Z"},
		{"leap second", `"effectiveDateTime":"2016-12-31T23:59:60Z"`, "2017-01-01T00:00:00Z", "2017-01-01T00:00:00.999999999Z"},
		{"period", `"effectivePeriod":{"start":"2025-03-30T01:00:00Z","end":"2025-03-31"}`, "2025-03-30T01:00:00Z", "2025-03-31T23:59:59.999999999Z"},
		{"timing events", `"effectiveTiming":{"event":["2025-03-02","2025-03-01T10:00:00Z"]}`, "2025-03-01T10:00:00Z", "2025-03-02T23:59:59.999999999Z"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			got := indexed("Observation", "{"+tt.body+"}", "date")
			require.Equal(t, []search.Value{{Kind: search.Date, Lo: at(t, tt.lo), Hi: at(t, tt.hi)}}, got)
		})
	}
}

func TestIndexOpenEnds(t *testing.T) {
	t.Parallel()
	got := indexed("Task", `{"executionPeriod":{"start":"2025-03-01T10:00:00Z"}}`, "period")
	require.Equal(t, []search.Value{{Kind: search.Date, Lo: at(t, "2025-03-01T10:00:00Z"), Hi: math.MaxInt64}}, got)
	got = indexed("Task", `{"executionPeriod":{"end":"2025-03-01T10:00:00Z"}}`, "period")
	require.Equal(t, []search.Value{{Kind: search.Date, Lo: math.MinInt64, Hi: at(t, "2025-03-01T10:00:00.999999999Z")}}, got)
	got = indexed("Task", `{"authoredOn":"1500-01-01"}`, "authored-on")
	require.Equal(t, []search.Value{{Kind: search.Date, Lo: math.MinInt64, Hi: math.MinInt64}}, got, "beyond the range: the open end")
	require.Nil(t, indexed("Task", `{"authoredOn":"soon"}`, "authored-on"))
}

func TestIndexFoldsText(t *testing.T) {
	t.Parallel()
	body := `{"name":[{"family":"Ćwikła-Østergård","given":["MARÍA  José"],"text":"Straße"}]}`
	require.Equal(t, []search.Value{
		{Kind: search.String, Code: "Straße", Text: "strasse"},
		{Kind: search.String, Code: "Ćwikła-Østergård", Text: "cwikła-østergard"},
		{Kind: search.String, Code: "MARÍA  José", Text: "maria jose"},
	}, indexed("Patient", body, "name"))
}

func BenchmarkIndex(b *testing.B) {
	body := []byte(`{"resourceType":"Task","id":"t","status":"ready","intent":"order","priority":"routine",
	"code":{"coding":[{"system":"urn:c","code":"site-check"}]},"for":{"reference":"Patient/p"},"encounter":{"reference":"Encounter/e"},
	"groupIdentifier":{"system":"urn:g","value":"e"},"identifier":[{"system":"urn:t","value":"site-check/1"}],
	"authoredOn":"2025-03-01T10:00:00Z","lastModified":"2025-03-01T10:00:00Z",
	"restriction":{"period":{"start":"2025-03-01T10:00:00Z","end":"2025-03-01T10:15:00Z"}}}`)
	b.ReportAllocs()
	for b.Loop() {
		if len(search.Index("Task", body)) < 10 {
			b.Fatal("not indexed")
		}
	}
}
