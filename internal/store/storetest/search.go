package storetest

import (
	"context"
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/store"
)

func searchTests() []contractTest {
	return []contractTest{
		{"search/kinds, prefixes, not and missing", searchTable},
		{"search/current versions only", currentVersionsOnly},
		{"search/order", searchOrder},
		{"search/units", searchUnits},
		{"search/what units share", searchShared},
		{"search/equals a filter in memory", searchEqualsFilter},
		{"search/of resources equals reading them all", searchEqualsReading},
	}
}

func token(param, system, code string) search.Value {
	return search.Value{Param: param, Kind: search.Token, System: system, Code: code}
}

func date(param string, lo, hi int64) search.Value {
	return search.Value{Param: param, Kind: search.Date, Lo: lo, Hi: hi}
}

func text(param, folded string) search.Value {
	return search.Value{Param: param, Kind: search.String, Text: folded}
}

func mustSearch(t require.TestingT, st store.Store, q search.Query) store.Page {
	page, err := st.Search(context.Background(), q)
	require.NoError(t, err)
	return page
}

func ids(rs []store.Resource) []string {
	got := make([]string, len(rs))
	for i, r := range rs {
		got[i] = r.ID
	}
	return got
}

// searchable is the small world of the table below.
func searchable() []store.Resource {
	ref := func(param, resourceType, id string) search.Value {
		return search.Value{Param: param, Kind: search.Reference, System: resourceType, Code: id}
	}
	return []store.Resource{
		version("Task", "a", 1, token("code", "urn:cs", "x"), token("code", "", "y"), date("when", 100, 199), search.Value{Param: "name", Kind: search.String, Code: "Anna", Text: "anna"}),
		version("Task", "b", 1, search.Value{Param: "code", Kind: search.Token, System: "urn:cs", Code: "y", Text: "anna's"}, date("when", 150, 150), ref("subject", "Patient", "1"), text("name", "anne%")),
		version("Task", "c", 1, date("when", 200, math.MaxInt64), ref("subject", "Group", "1"), text("name", "an_a"), text("name", "berta"),
			search.Value{Param: "size", Kind: search.Quantity, System: "urn:ucum", Code: "mL", Text: "millilitre", Lo: 5, Hi: 5}),
		version("Task", "d", 1, token("code", "urn:other", "x"), date("when", math.MinInt64, 120), ref("subject", "Patient", "2"),
			search.Value{Param: "size", Kind: search.Quantity, System: "urn:ucum", Code: "L", Lo: 5, Hi: 9}),
		version("Task", "e", 1, search.Value{Param: "url", Kind: search.URI, Code: "https://site.example/a"}, token("name", "", "anna")),
		version("Observation", "f", 1, token("code", "urn:cs", "x"), date("when", 100, 199), text("name", "anna"), ref("focus", "Task", "a")),
		version("Observation", "g", 1, token("code", "urn:cs", "z"), ref("focus", "Task", "b")),
		version("Patient", "1", 1, text("name", "ida")), version("Patient", "2", 1, text("name", "ben")), version("Group", "1", 1, text("name", "ida")),
	}
}

func searchTable(t *testing.T, st store.Store) {
	mustCommit(t, st, store.Changeset{Resources: searchable()})
	yes, no := true, false
	is := func(param string, kind search.Kind, terms ...search.Term) search.Condition {
		return search.Condition{Param: param, Kind: kind, Any: terms}
	}
	isNot := func(c search.Condition) search.Condition {
		c.Not = true
		return c
	}
	matching := func(c search.Condition, m search.Match) search.Condition {
		c.Match = m
		return c
	}
	called := func(c search.Condition) search.Condition { return matching(c, search.Called) }
	exact := func(c search.Condition) search.Condition { return matching(c, search.Exact) }
	containing := func(c search.Condition) search.Condition { return matching(c, search.Contains) }
	when := func(p search.Prefix, lo, hi int64) search.Condition {
		return is("when", search.Date, search.Term{Prefix: p, Lo: lo, Hi: hi})
	}
	all := func(cs ...search.Condition) []search.Condition { return cs }
	updated := at(1).UnixNano()
	tests := []struct {
		name string
		all  []search.Condition
		want []string
	}{
		{"all of the type", nil, []string{"a", "b", "c", "d", "e"}},
		{"token in any system", all(is("code", search.Token, search.Term{Code: "x"})), []string{"a", "d"}},
		{"token in its system", all(is("code", search.Token, search.Term{Code: "x", System: "urn:cs", SystemGiven: true})), []string{"a"}},
		{"token without a system", all(is("code", search.Token, search.Term{Code: "y", SystemGiven: true})), []string{"a"}},
		{"any code of a system", all(is("code", search.Token, search.Term{System: "urn:cs", SystemGiven: true})), []string{"a", "b"}},
		{"any code without a system", all(is("code", search.Token, search.Term{SystemGiven: true})), []string{"a"}},
		{"or", all(is("code", search.Token, search.Term{Code: "x"}, search.Term{Code: "y", System: "urn:cs", SystemGiven: true})), []string{"a", "b", "d"}},
		{"no alternative", all(is("code", search.Token)), []string{}},
		{"not", all(isNot(is("code", search.Token, search.Term{Code: "x"}))), []string{"b", "c", "e"}},
		{"not any of two", all(isNot(is("code", search.Token, search.Term{Code: "x"}, search.Term{Code: "y"}))), []string{"c", "e"}},
		{"and on one parameter", all(is("code", search.Token, search.Term{Code: "x"}), is("code", search.Token, search.Term{Code: "y"})), []string{"a"}},
		{"and on two", all(is("code", search.Token, search.Term{Code: "x"}), is("name", search.String, search.Term{Text: "an"})), []string{"a"}},
		{"missing", all(search.Condition{Param: "code", Kind: search.Token, Missing: &yes}), []string{"c", "e"}},
		{"not missing", all(search.Condition{Param: "code", Kind: search.Token, Missing: &no}), []string{"a", "b", "d"}},
		{"reference to a type", all(is("subject", search.Reference, search.Term{System: "Patient", Code: "1"})), []string{"b"}},
		{"reference to any type", all(is("subject", search.Reference, search.Term{Code: "1"})), []string{"b", "c"}},
		{"string start", all(is("name", search.String, search.Term{Text: "ann"})), []string{"a", "b"}},
		{"string whole", all(is("name", search.String, search.Term{Text: "anna"})), []string{"a"}},
		{"string with a percent sign", all(is("name", search.String, search.Term{Text: "anne%"})), []string{"b"}},
		{"string percent is no wildcard", all(is("name", search.String, search.Term{Text: "a%"})), []string{}},
		{"string underscore is no wildcard", all(is("name", search.String, search.Term{Text: "an_"})), []string{"c"}},
		{"string longer than the value", all(is("name", search.String, search.Term{Text: "annabel"})), []string{}},
		{"string not in the middle", all(is("name", search.String, search.Term{Text: "nna"})), []string{}},
		{"string of nothing", all(is("name", search.String, search.Term{})), []string{"a", "b", "c"}},
		{"uri", all(is("url", search.URI, search.Term{Code: "https://site.example/a"})), []string{"e"}},
		{"uri is whole", all(is("url", search.URI, search.Term{Code: "https://site.example"})), []string{}},
		{"eq holds the value", all(when(search.PrefixEqual, 100, 199)), []string{"a", "b"}},
		{"eq inside the value", all(when(search.PrefixEqual, 150, 160)), []string{"b"}},
		{"ne", all(when(search.PrefixNotEqual, 100, 199)), []string{"c", "d"}},
		{"gt", all(when(search.PrefixGreater, 150, 150)), []string{"a", "c"}},
		{"lt", all(when(search.PrefixLess, 150, 150)), []string{"a", "d"}},
		{"ge", all(when(search.PrefixGreaterEqual, 150, 150)), []string{"a", "b", "c"}},
		{"le", all(when(search.PrefixLessEqual, 150, 150)), []string{"a", "b", "d"}},
		{"sa", all(when(search.PrefixStartsAfter, 120, 140)), []string{"b", "c"}},
		{"eb", all(when(search.PrefixEndsBefore, 200, 210)), []string{"a", "b", "d"}},
		{"not eq", all(isNot(when(search.PrefixEqual, 100, 199))), []string{"c", "d", "e"}},
		{"id", all(is("_id", search.Token, search.Term{Code: "c"}, search.Term{Code: "a"})), []string{"a", "c"}},
		{"not id", all(isNot(is("_id", search.Token, search.Term{Code: "c"}))), []string{"a", "b", "d", "e"}},
		{"id missing", all(search.Condition{Param: "_id", Kind: search.Token, Missing: &yes}), []string{}},
		{"last updated eq", all(is("_lastUpdated", search.Date, search.Term{Prefix: search.PrefixEqual, Lo: updated - 1, Hi: updated})), []string{"a", "b", "c", "d", "e"}},
		{"last updated between microseconds", all(is("_lastUpdated", search.Date, search.Term{Prefix: search.PrefixEqual, Lo: updated + 1, Hi: updated + 999})), []string{}},
		{"last updated gt", all(is("_lastUpdated", search.Date, search.Term{Prefix: search.PrefixGreater, Lo: updated - 9, Hi: updated - 1})), []string{"a", "b", "c", "d", "e"}},
		{"last updated gt itself", all(is("_lastUpdated", search.Date, search.Term{Prefix: search.PrefixGreater, Lo: updated, Hi: updated})), []string{}},
		{"called", all(called(is("code", search.Token, search.Term{Text: "anna"}))), []string{"b"}},
		{"called in the middle", all(called(is("code", search.Token, search.Term{Text: "nna"}))), []string{}},
		{"exact", all(exact(is("name", search.String, search.Term{Text: "anna", Code: "Anna"}))), []string{"a"}},
		{"exact in another case", all(exact(is("name", search.String, search.Term{Text: "anna", Code: "anna"}))), []string{}},
		{"contains", all(containing(is("name", search.String, search.Term{Text: "nn"}))), []string{"a", "b"}},
		{"contains a wildcard of others", all(containing(is("name", search.String, search.Term{Text: "_"}))), []string{"c"}},
		{"ap overlaps", all(when(search.PrefixApproximate, 190, 300)), []string{"a", "c"}},
		{"quantity", all(is("size", search.Quantity, search.Term{Prefix: search.PrefixGreater, Lo: 4, Hi: 4})), []string{"c", "d"}},
		{"quantity of a unit", all(is("size", search.Quantity, search.Term{Prefix: search.PrefixGreater, Lo: 4, Hi: 4, Code: "mL", System: "urn:ucum", SystemGiven: true})), []string{"c"}},
		{"quantity of a unit as written", all(is("size", search.Quantity, search.Term{Prefix: search.PrefixGreater, Lo: 4, Hi: 4, Code: "millilitre"})), []string{"c"}},
		{"quantity of a unit by code alone", all(is("size", search.Quantity, search.Term{Prefix: search.PrefixGreater, Lo: 4, Hi: 4, Code: "L"})), []string{"d"}},
		{"either of two pairs", all(search.Condition{Either: [][]search.Condition{
			{is("code", search.Token, search.Term{Code: "x"}), is("size", search.Quantity, search.Term{Prefix: search.PrefixGreater, Lo: 5, Hi: 5})},
			{is("code", search.Token, search.Term{Code: "y"}), is("name", search.String, search.Term{Text: "anne"})},
		}}), []string{"b", "d"}},
		{"a chain", all(search.Condition{Join: &search.Join{Type: "Patient", Param: "subject", All: all(is("name", search.String, search.Term{Text: "ida"}))}}), []string{"b"}},
		{"a chain to another type", all(search.Condition{Join: &search.Join{Type: "Group", Param: "subject", All: all(is("_id", search.Token, search.Term{Code: "1"}))}}), []string{"c"}},
		{"a chain that is not", all(search.Condition{Join: &search.Join{Type: "Patient", Param: "subject", All: all(isNot(is("name", search.String, search.Term{Text: "ida"})))}}), []string{"d"}},
		{"who is referred to", all(search.Condition{Join: &search.Join{Type: "Observation", Param: "focus", Reverse: true, All: all(is("code", search.Token, search.Term{Code: "x"}))}}), []string{"a"}},
		{"who is referred to from these units", all(search.Condition{Join: &search.Join{
			Type: "Observation", Param: "focus", Reverse: true, All: all(is("code", search.Token, search.Term{Code: "x"})), Units: []string{"ward-9"},
		}}), []string{}},
		{"a chain of chains", all(search.Condition{Join: &search.Join{Type: "Observation", Param: "focus", Reverse: true, All: all(search.Condition{
			Join: &search.Join{Type: "Task", Param: "focus", All: all(is("name", search.String, search.Term{Text: "anna"}))},
		})}}), []string{"a"}},
		{"unknown parameter", all(is("none", search.Token, search.Term{Code: "x"})), []string{}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got := mustSearch(t, st, search.Query{Type: "Task", All: tt.all, Count: 10})
			require.Equal(t, tt.want, ids(got.Matches))
			require.Equal(t, len(tt.want), got.Total)
			require.Nil(t, got.Next)
		})
	}
}

func currentVersionsOnly(t *testing.T, st store.Store) {
	mustCommit(t, st, store.Changeset{Resources: []store.Resource{version("Task", "t", 1, token("status", "", "ready"))}})
	second := version("Task", "t", 2, token("status", "", "completed"))
	mustCommit(t, st, store.Changeset{Resources: []store.Resource{second}})
	find := func(code string) []store.Resource {
		return mustSearch(t, st, search.Query{Type: "Task", Count: 5, All: []search.Condition{
			{Param: "status", Kind: search.Token, Any: []search.Term{{Code: code}}},
		}}).Matches
	}
	require.Empty(t, find("ready"))
	require.Equal(t, []store.Resource{stored(second)}, find("completed"))
}

func searchOrder(t *testing.T, st store.Store) {
	rs := []store.Resource{
		version("Task", "open", 1, date("when", math.MinInt64, 5)),
		version("Task", "none-b", 1), version("Task", "none-a", 1),
		version("Task", "late", 1, date("when", 30, 31)),
		version("Task", "early", 1, date("when", 10, 11)), version("Task", "also-early", 1, date("when", 10, 99)),
		version("Task", "both", 1, date("when", 5, 6), date("when", 40, 41)),
	}
	for i := range rs {
		rs[i].Updated = at(-i) // the last is the oldest
	}
	mustCommit(t, st, store.Changeset{Resources: rs})
	tests := []struct {
		name string
		sort []search.Sort
		want []string
	}{
		{"no order asked: by id", nil, []string{"also-early", "both", "early", "late", "none-a", "none-b", "open"}},
		{"by date", []search.Sort{{Param: "when", Kind: search.Date}}, []string{"open", "both", "also-early", "early", "late", "none-a", "none-b"}},
		{"by date, descending", []search.Sort{{Param: "when", Kind: search.Date, Descending: true}}, []string{"both", "late", "also-early", "early", "open", "none-a", "none-b"}},
		{"by last update", []search.Sort{{Param: "_lastUpdated", Kind: search.Date}}, []string{"both", "also-early", "early", "late", "none-a", "none-b", "open"}},
		{"by two", []search.Sort{{Param: "when", Kind: search.Date}, {Param: "_id", Kind: search.Token, Descending: true}}, []string{"open", "both", "early", "also-early", "late", "none-b", "none-a"}},
		{"by last update, descending", []search.Sort{{Param: "_lastUpdated", Kind: search.Date, Descending: true}}, []string{"open", "none-b", "none-a", "late", "early", "also-early", "both"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			for _, count := range []int{1, 2, 7, 100} {
				got, _ := walk(t, st, search.Query{Type: "Task", Sort: tt.sort, Count: count})
				require.Equal(t, tt.want, ids(got), "page size %d", count)
			}
		})
	}
}

func searchUnits(t *testing.T, st store.Store) {
	in := func(id, unit string) store.Resource {
		r := version("Task", id, 1, token("status", "", "ready"))
		r.Unit = unit
		return r
	}
	mustCommit(t, st, store.Changeset{Resources: []store.Resource{in("a", "ward-3"), in("b", "ward-3"), in("c", ""), in("d", "ward-3")}})
	moved := in("b", "ward-4")
	moved.Version = 2
	mustCommit(t, st, store.Changeset{Resources: []store.Resource{moved}})
	tests := []struct {
		name  string
		units []string
		want  []string
	}{
		{"no limit", nil, []string{"a", "b", "c", "d"}},
		{"one", []string{"ward-3"}, []string{"a", "d"}},
		{"two", []string{"ward-4", ""}, []string{"b", "c"}},
		{"none of them", []string{}, []string{}},
	}
	ready := search.Condition{Param: "status", Kind: search.Token, Any: []search.Term{{Code: "ready"}}}
	exactly := search.Condition{Param: "status", Kind: search.Token, Any: []search.Term{{SystemGiven: true, Code: "ready"}, {Code: "on-hold"}}}
	done := search.Condition{Param: "status", Kind: search.Token, Any: []search.Term{{Code: "completed"}}, Not: true}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			for _, all := range [][]search.Condition{nil, {ready}, {exactly}, {done}} {
				got := mustSearch(t, st, search.Query{Type: "Task", Units: tt.units, Count: 9, All: all})
				require.Equal(t, tt.want, ids(got.Matches))
				require.Equal(t, len(tt.want), got.Total)
			}
		})
	}
}

// What belongs to no unit is given to the units that a resource of theirs refers to it
// from, by the current version alone.
func searchShared(t *testing.T, st store.Store) {
	of := func(id, unit, patient string) store.Resource {
		r := version("Procedure", id, 1, search.Value{Param: "subject", Kind: search.Reference, System: "Patient", Code: patient})
		r.Unit = unit
		return r
	}
	moved := of("p3", "ward-4", "c")
	moved.Version = 2
	patient := func(id, unit string, index ...search.Value) store.Resource {
		r := version("Patient", id, 1, index...)
		r.Unit = unit
		return r
	}
	woman := token("gender", "", "female")
	mustCommit(t, st, store.Changeset{Resources: []store.Resource{
		patient("a", "", woman), patient("b", ""), patient("c", ""), patient("d", "", woman), patient("e", "ward-4", woman),
		of("p1", "ward-3", "a"), of("p2", "ward-4", "b"), of("p3", "ward-3", "c"), of("p4", "ward-3", "e"),
	}})
	mustCommit(t, st, store.Changeset{Resources: []store.Resource{moved}})
	byProcedure := search.Shared{By: "Procedure", Param: "subject"}
	tests := []struct {
		name   string
		units  []string
		shared search.Shared
		want   []string
	}{
		{"one unit's", []string{"ward-3"}, byProcedure, []string{"a"}},
		{"the other's, with its own", []string{"ward-4"}, byProcedure, []string{"b", "c", "e"}},
		{"of both", []string{"ward-3", "ward-4"}, byProcedure, []string{"a", "b", "c", "e"}},
		{"by another parameter", []string{"ward-3"}, search.Shared{By: "Procedure", Param: "patient"}, []string{}},
		{"of no unit", []string{}, byProcedure, []string{}},
		{"open", []string{"ward-3"}, search.Shared{Open: true}, []string{"a", "b", "c", "d"}},
		{"open to nobody's units", []string{}, search.Shared{Open: true}, []string{"a", "b", "c", "d"}},
		{"closed", []string{"ward-4"}, search.Shared{}, []string{"e"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got := mustSearch(t, st, search.Query{Type: "Patient", Units: tt.units, Shared: tt.shared, Count: 9})
			require.Equal(t, tt.want, ids(got.Matches))
			require.Equal(t, len(tt.want), got.Total)
		})
	}
	female := search.Condition{Param: "gender", Kind: search.Token, Any: []search.Term{{Code: "female"}}}
	got := mustSearch(t, st, search.Query{Type: "Patient", Units: []string{"ward-3"}, Shared: byProcedure, Count: 9, All: []search.Condition{female}})
	require.Equal(t, []string{"a"}, ids(got.Matches), "a condition is held to what is shared, too")
}
