package search_test

import (
	"net/url"
	"strings"
	"testing"

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
		{"patient.name=x", outcome.CodeNotSupported, `"patient.name"`},
		{"code:text=x", outcome.CodeNotSupported, `modifier "text" of "code"`},
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
		{"due-date=ap2025", outcome.CodeInvalid, "prefixes"},
		{"due-date=tomorrow", outcome.CodeInvalid, "prefixes"},
		{"due-date=2025-02-30", outcome.CodeInvalid, "a date is written"},
		{"due-date=2025-03-01T10:00:00+01:00", outcome.CodeInvalid, "%2B"},
		{"_lastUpdated=gt", outcome.CodeInvalid, "a date is written"},
		{"_count=-1", outcome.CodeInvalid, "_count"},
		{"_count=many", outcome.CodeInvalid, "_count"},
		{"_count=1&_count=2", outcome.CodeInvalid, "_count"},
		{"_sort=status", outcome.CodeNotSupported, "_sort"},
		{"_sort=due-date,status", outcome.CodeNotSupported, "_sort"},
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
	q, applied, issues := parse(t, "Task", "status=ready&colour=red&_sort=owner", search.Lenient)
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
	require.Equal(t, search.Sort{Param: "due-date", Descending: true}, q.Sort)
	require.Len(t, q.All, 2, "a repeated parameter is and")
	require.Equal(t, "_count=200&_sort=-due-date&status=ready&status%3Anot=draft", applied.Encode())

	q, applied, _ = parse(t, "Task", "_count=0&_sort=_id", search.Strict)
	require.Equal(t, 1, q.Count)
	require.Equal(t, "0", applied.Get("_count"))
	require.Equal(t, search.Sort{}, q.Sort)
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
	f.Fuzz(func(t *testing.T, query string, lenient bool) {
		params, err := url.ParseQuery(query)
		if err != nil {
			return
		}
		o := search.Options{Base: base}
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
		for _, c := range q.All {
			require.True(t, c.Missing != nil || len(c.Any) > 0)
			for _, term := range c.Any {
				require.True(t, term.Code != "" || term.Text != "" || term.System != "" || c.Kind == search.Date)
				require.LessOrEqual(t, term.Lo, term.Hi)
			}
		}
		again, _, issues := search.Parse("Task", applied, search.Options{Base: base})
		require.Empty(t, issues)
		require.Equal(t, q, again)
	})
}
