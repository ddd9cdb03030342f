package search_test

import (
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/search"
)

const base = "https://host.example/fhir"

func parse(t *testing.T, resourceType, query string, h search.Handling) (search.Query, url.Values, []outcome.Issue) {
	t.Helper()
	params, err := url.ParseQuery(query)
	require.NoError(t, err)
	return search.Parse(resourceType, params, search.Options{Handling: h, Base: base})
}

func yes() *bool { v := true; return &v }

// The forms are those of hl7.org/fhir/R4/search.html.
func TestParseConditions(t *testing.T) {
	t.Parallel()
	token := func(terms ...search.Term) search.Condition {
		return search.Condition{Param: "code", Kind: search.Token, Any: terms}
	}
	ref := func(param string, terms ...search.Term) search.Condition {
		return search.Condition{Param: param, Kind: search.Reference, Any: terms}
	}
	joined := func(param string, j search.Join, c search.Condition) search.Condition {
		j.All = []search.Condition{c}
		return search.Condition{Param: param, Kind: search.Reference, Join: &j}
	}
	identifier7 := search.Condition{Param: "identifier", Kind: search.Token, Any: []search.Term{{System: "urn:s", SystemGiven: true, Code: "7"}}}
	tests := []struct {
		name, resourceType, query string
		want                      search.Condition
	}{
		{"code", "Task", "code=a", token(search.Term{Code: "a"})},
		{"system and code", "Task", "code=urn:s|a", token(search.Term{System: "urn:s", SystemGiven: true, Code: "a"})},
		{"no system", "Task", "code=|a", token(search.Term{SystemGiven: true, Code: "a"})},
		{"any code of a system", "Task", "code=urn:s|", token(search.Term{System: "urn:s", SystemGiven: true})},
		{"or", "Task", "code=a,urn:s|b", token(search.Term{Code: "a"}, search.Term{System: "urn:s", SystemGiven: true, Code: "b"})},
		{"escapes", "Task", `code=urn:s|a\,b\|c\\d\$`, token(search.Term{System: "urn:s", SystemGiven: true, Code: `a,b|c\d$`})},
		{"not", "Task", "code:not=a", search.Condition{Param: "code", Kind: search.Token, Any: []search.Term{{Code: "a"}}, Not: true}},
		{"missing", "Task", "code:missing=true", search.Condition{Param: "code", Kind: search.Token, Missing: yes()}},
		{"bare id, one target", "Task", "patient=p1", ref("patient", search.Term{System: "Patient", Code: "p1"})},
		{"bare id, many targets", "Task", "subject=p1", ref("subject", search.Term{Code: "p1"})},
		{"type and id", "Task", "owner=Practitioner/x.1", ref("owner", search.Term{System: "Practitioner", Code: "x.1"})},
		{"modifier for the type", "Task", "subject:Patient=p1", ref("subject", search.Term{System: "Patient", Code: "p1"})},
		{"URL of this server", "Task", "patient=" + base + "/Patient/p1", ref("patient", search.Term{System: "Patient", Code: "p1"})},
		{"URL of another", "Task", "patient=https://a.example/Patient/p1", ref("patient", search.Term{Code: "https://a.example/Patient/p1"})},
		{"canonical", "CarePlan", "instantiates-canonical=http://a.example/P|1", ref("instantiates-canonical", search.Term{Code: "http://a.example/P|1"})},
		{
			"identifier of a reference", "Task", "patient:identifier=urn:s|7",
			search.Condition{Param: "patient:identifier", Kind: search.Token, Any: []search.Term{{System: "urn:s", SystemGiven: true, Code: "7"}}},
		},
		{"called", "Task", "code:text=Look", search.Condition{Param: "code", Kind: search.Token, Match: search.Called, Any: []search.Term{{Text: "look"}}}},
		{"reference called", "Task", "owner:text=Nurse", search.Condition{Param: "owner", Kind: search.Reference, Match: search.Called, Any: []search.Term{{Text: "nurse"}}}},
		{"exact", "Patient", "family:exact=Ångström", search.Condition{Param: "family", Kind: search.String, Match: search.Exact, Any: []search.Term{{Text: "angstrom", Code: "Ångström"}}}},
		{"contains", "Patient", "name:contains=GST", search.Condition{Param: "name", Kind: search.String, Match: search.Contains, Any: []search.Term{{Text: "gst"}}}},
		{"chain", "Task", "patient.identifier=urn:s|7", joined("patient.identifier", search.Join{Type: "Patient", Param: "patient"}, identifier7)},
		{"chain with a type", "Task", "subject:Patient.identifier=urn:s|7", joined("subject:Patient.identifier", search.Join{Type: "Patient", Param: "subject"}, identifier7)},
		{"chain of chains", "Task", "part-of.patient.identifier=urn:s|7", joined("part-of.patient.identifier", search.Join{Type: "Task", Param: "part-of"},
			joined("patient.identifier", search.Join{Type: "Patient", Param: "patient"}, identifier7))},
		{"chain with a modifier", "Task", "patient.identifier:missing=true", joined("patient.identifier:missing", search.Join{Type: "Patient", Param: "patient"},
			search.Condition{Param: "identifier", Kind: search.Token, Missing: yes()})},
		{"has", "Patient", "_has:Task:patient:identifier=urn:s|7", joined("_has:Task:patient:identifier", search.Join{Type: "Task", Param: "patient", Reverse: true}, identifier7)},
		{"composite", "Observation", `code-value-concept=a$urn:s|b\$c`, search.Condition{Param: "code-value-concept", Kind: search.Composite, Either: [][]search.Condition{{
			token(search.Term{Code: "a"}),
			{Param: "value-concept", Kind: search.Token, Any: []search.Term{{System: "urn:s", SystemGiven: true, Code: "b$c"}}},
		}}}},
		{"text", "Patient", "family=  Ångström ", search.Condition{Param: "family", Kind: search.String, Any: []search.Term{{Text: "angstrom"}}}},
		{"uri", "PlanDefinition", "url=http://a.example/P", search.Condition{Param: "url", Kind: search.URI, Any: []search.Term{{Code: "http://a.example/P"}}}},
		{"id", "Task", "_id=a,b", search.Condition{Param: "_id", Kind: search.Token, Any: []search.Term{{Code: "a"}, {Code: "b"}}}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			got, _, issues := parse(t, tt.resourceType, tt.query, search.Strict)
			require.Empty(t, issues)
			require.Equal(t, []search.Condition{tt.want}, got.All)
		})
	}
}

func TestParseDates(t *testing.T) {
	t.Parallel()
	tests := []struct{ value, lo, hi string }{
		{"2025", "2025-01-01T00:00:00Z", "2025-12-31T23:59:59.999999999Z"},
		{"2025-03-01T10:30", "2025-03-01T10:30:00Z", "2025-03-01T10:30:59.999999999Z"},
		{"2025-03-01T10:30%2B01:00", "2025-03-01T09:30:00Z", "2025-03-01T09:30:59.999999999Z"},
		{"2025-03-01T10:30:00.5-05:00", "2025-03-01T15:30:00.5Z", "2025-03-01T15:30:00.599999999Z"},
	}
	for _, tt := range tests {
		for _, prefix := range []search.Prefix{"eq", "ne", "gt", "lt", "ge", "le", "sa", "eb", ""} {
			got, _, issues := parse(t, "Task", "due-date="+string(prefix)+tt.value, search.Strict)
			require.Empty(t, issues)
			if prefix == "" {
				prefix = search.PrefixEqual
			}
			want := search.Term{Prefix: prefix, Lo: at(t, tt.lo), Hi: at(t, tt.hi)}
			require.Equal(t, []search.Term{want}, got.All[0].Any, tt.value)
		}
	}
}

func TestParseRefuses(t *testing.T) {
	t.Parallel()
	tests := []struct {
		query string
		code  outcome.Code
		says  string
	}{
		{"colour=red", outcome.CodeNotSupported, `"colour"`},
		{"_include=Task:focus", outcome.CodeNotSupported, `"_include"`},
		{"patient.colour=x", outcome.CodeNotSupported, `"patient.colour"`},
		{"subject:Device.name=x", outcome.CodeNotSupported, `"subject:Device.name"`},
		{"subject.name=x", outcome.CodeInvalid, "several types"},
		{"status.name=x", outcome.CodeNotSupported, `"status.name"`},
		{"patient:identifier.name=x", outcome.CodeNotSupported, `"patient:identifier.name"`},
		{"patient.name:below=x", outcome.CodeNotSupported, `modifier "below" of "name"`},
		{"part-of.part-of.part-of.part-of.status=ready", outcome.CodeTooCostly, "at most 3"},
		{"_has:Provenance:target=x", outcome.CodeNotSupported, `"_has:Provenance:target"`},
		{"_has:Provenance:agent:recorded=2025", outcome.CodeNotSupported, "_has"},
		{"_has:Observation:patient:code=x", outcome.CodeNotSupported, "_has"},
		{"_has:Provenance:target:recorded=tomorrow", outcome.CodeInvalid, "prefixes"},
		{"_id:text=x", outcome.CodeNotSupported, `modifier "text" of "_id"`},
		{"due-date:text=x", outcome.CodeNotSupported, `modifier "text" of "due-date"`},
		{"due-date=xx2025", outcome.CodeInvalid, "prefixes"},
		{"_total=many", outcome.CodeNotSupported, "_total"},
		{"code:=x", outcome.CodeNotSupported, `modifier "" of "code"`},
		{"owner:not=x", outcome.CodeNotSupported, `modifier "not" of "owner"`},
		{"code:missing=maybe", outcome.CodeInvalid, "true or false"},
		{"code=", outcome.CodeInvalid, "empty"},
		{"code=%00", outcome.CodeInvalid, "UTF-8"},
		{"_id=%ff", outcome.CodeInvalid, "UTF-8"},
		{"code=a,,b", outcome.CodeInvalid, "empty"},
		{"code=|", outcome.CodeInvalid, "neither"},
		{"code=a|b|c", outcome.CodeInvalid, "more than one"},
		{"patient=a b", outcome.CodeInvalid, `"patient"`},
		{"subject:Patient=Group/1", outcome.CodeInvalid, "another type"},
		{"due-date=ap2025", outcome.CodeInvalid, "not served here"},
		{"due-date=tomorrow", outcome.CodeInvalid, "prefixes"},
		{"due-date=2025-02-30", outcome.CodeInvalid, "a date is written"},
		{"due-date=2025-03-01T10:00:00+01:00", outcome.CodeInvalid, "%2B"},
		{"_lastUpdated=gt", outcome.CodeInvalid, "a date is written"},
		{"_count=-1", outcome.CodeInvalid, "_count"},
		{"_count=many", outcome.CodeInvalid, "_count"},
		{"_count=1&_count=2", outcome.CodeInvalid, "_count"},
		{"_sort=colour", outcome.CodeNotSupported, "_sort"},
		{"_sort=due-date,", outcome.CodeNotSupported, "_sort"},
		{"_sort=due-date,status,code,owner,patient", outcome.CodeNotSupported, "_sort"},
		{"code=" + strings.Repeat("a,", search.MaximumTerms) + "a", outcome.CodeTooCostly, "values"},
	}
	for _, tt := range tests {
		t.Run(tt.query[:min(40, len(tt.query))], func(t *testing.T) {
			t.Parallel()
			_, applied, issues := parse(t, "Task", tt.query, search.Strict)
			require.Nil(t, applied)
			require.Len(t, issues, 1)
			require.Equal(t, tt.code, issues[0].Code)
			require.Equal(t, outcome.SeverityError, issues[0].Severity)
			require.Contains(t, issues[0].Details, tt.says)
		})
	}
	_, _, issues := parse(t, "Group", "type=person", search.Lenient)
	require.Equal(t, outcome.CodeNotSupported, issues[0].Code)
}

// A repeated chain asks for each of its values.
func TestParseRepeatedChains(t *testing.T) {
	t.Parallel()
	q, _, issues := parse(t, "Task", "patient.family=a&patient.family=b", search.Strict)
	require.Empty(t, issues)
	require.Equal(t, "a", q.All[0].Join.All[0].Any[0].Text)
	require.Equal(t, "b", q.All[1].Join.All[0].Any[0].Text)
}

// Details may be logged, so a value, which may be personal, is not in them.
func TestParseQuotesValuesInDiagnosticsOnly(t *testing.T) {
	t.Parallel()
	_, _, issues := parse(t, "Task", "patient=Jane Doe", search.Strict)
	require.NotContains(t, issues[0].Details, "Jane")
	require.Contains(t, issues[0].Diagnostics, "Jane Doe")
}

// R4 http.html "Prefer: handling=lenient": unknown parameters are left out and named;
// modifiers that are not served are refused all the same (search.html#modifiers).
func TestParseLenient(t *testing.T) {
	t.Parallel()
	q, applied, issues := parse(t, "Task", "status=ready&colour=red&_sort=shade", search.Lenient)
	require.Len(t, issues, 2)
	require.False(t, outcome.HasErrors(issues))
	require.Len(t, q.All, 1)
	require.Equal(t, url.Values{"status": {"ready"}, "_count": {"50"}}, applied)

	_, _, issues = parse(t, "Task", "status:above=ready", search.Lenient)
	require.True(t, outcome.HasErrors(issues))
	_, _, issues = parse(t, "Task", "due-date=soon", search.Lenient)
	require.True(t, outcome.HasErrors(issues))
}

func TestParseResultParameters(t *testing.T) {
	t.Parallel()
	q, applied, issues := parse(t, "Task", "_count=1000&_sort=-due-date&status=ready&status:not=draft", search.Strict)
	require.Empty(t, issues)
	require.Equal(t, search.MaximumCount, q.Count)
	require.Equal(t, []search.Sort{{Param: "due-date", Kind: search.Date, Descending: true}}, q.Sort)
	require.Len(t, q.All, 2, "a repeated parameter is and")
	require.Equal(t, "_count=200&_sort=-due-date&status=ready&status%3Anot=draft", applied.Encode())

	q, applied, _ = parse(t, "Task", "_count=0&_sort=_id", search.Strict)
	require.Equal(t, 1, q.Count)
	require.Equal(t, "0", applied.Get("_count"))
	require.Empty(t, q.Sort)

	q, applied, issues = parse(t, "Task", "_sort=priority,-due-date,_id&_total=none", search.Strict)
	require.Empty(t, issues)
	require.Equal(t, []search.Sort{{Param: "priority", Kind: search.Token}, {Param: "due-date", Kind: search.Date, Descending: true}}, q.Sort)
	require.True(t, q.NoTotal)
	require.Equal(t, "_count=50&_sort=priority%2C-due-date%2C_id&_total=none", applied.Encode())
}

// FuzzParse: no query makes Parse panic; what it accepts is within the limits, has no
// empty alternative, and is accepted again from what it says it applied, to the same
// Query.
func FuzzParse(f *testing.F) {
	for _, seed := range []string{
		"status=ready,in-progress&due-date=le2025-03-01T10:00:00Z&_sort=due-date",
		`code=urn:s|a\,b\|c\\&patient:identifier=urn:x|7&subject:Patient=1`,
		"_lastUpdated=gt2025&_count=0&owner:missing=false&status:not=draft",
		"focus=https://host.example/fhir/Observation/1&based-on=urn:uuid:1&_id=a",
		"due-date=sa2016-12-31T23:59:60.5-12:00&period=eb0001&modified=ne9999-12",
	} {
		f.Add(seed, true)
	}
	f.Add("subject:Patient.name:exact=A&patient.identifier=urn:x|1&part-of.patient.birthdate=lt1950&_total=none", false)
	f.Add("_has:Provenance:target:recorded=ap2025&_has:Task:part-of:_has:Provenance:target:agent=Device/1&_sort=-priority,code,_id", false)
	f.Add("code:text=site&owner:text=An&authored-on=ap2025", true)
	f.Fuzz(func(t *testing.T, query string, lenient bool) {
		params, err := url.ParseQuery(query)
		if err != nil {
			return
		}
		o := search.Options{Base: base, Now: time.Date(2025, 3, 1, 8, 0, 0, 0, time.UTC)}
		if lenient {
			o.Handling = search.Lenient
		}
		q, applied, issues := search.Parse("Task", params, o)
		if outcome.HasErrors(issues) {
			require.Nil(t, applied)
			return
		}
		require.LessOrEqual(t, q.Count, search.MaximumCount)
		require.Positive(t, q.Count)
		search.Each(q.All, func(c search.Condition) {
			require.True(t, c.Missing != nil || len(c.Any) > 0 || c.Join != nil || len(c.Either) > 0)
			for _, term := range c.Any {
				require.True(t, term.Code != "" || term.Text != "" || term.System != "" || c.Kind == search.Date || c.Kind == search.Quantity)
				require.LessOrEqual(t, term.Lo, term.Hi)
			}
		})
		o.Handling = search.Strict
		again, _, issues := search.Parse("Task", applied, o)
		require.Empty(t, issues)
		require.Equal(t, q, again)
	})
}

// FuzzParseIncludes: no include makes the parser panic; what it accepts leads somewhere, and
// is accepted again from what it says it applied.
func FuzzParseIncludes(f *testing.F) {
	f.Add("_include=Task:patient&_revinclude=Provenance:target&_include:iterate=Encounter:patient", true)
	f.Add("_include=*&_revinclude=Task:part-of:Task&_include=Task:owner:Device", false)
	f.Add("_include=:&_include=Task:%00&_revinclude=CarePlan:activity-reference:Task:x", true)
	f.Fuzz(func(t *testing.T, query string, lenient bool) {
		params, err := url.ParseQuery(query)
		if err != nil {
			return
		}
		o := search.Options{}
		if lenient {
			o.Handling = search.Lenient
		}
		got, applied, issues := search.ParseIncludes("Task", params, o)
		if outcome.HasErrors(issues) {
			require.Nil(t, applied)
			return
		}
		for _, i := range got {
			require.NotEmpty(t, i.Targets)
			require.Contains(t, search.Types(), i.Source)
		}
		again, _, issues := search.ParseIncludes("Task", applied, search.Options{})
		require.Empty(t, issues)
		require.Equal(t, got, again)
	})
}
