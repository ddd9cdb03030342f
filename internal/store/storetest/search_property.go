package storetest

import (
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/store"
)

// The alphabets are small, so that searches find something and values collide.
func params() []string { return []string{"p", "status"} }

func kinds() []search.Kind {
	return []search.Kind{search.Token, search.Reference, search.Date, search.String, search.URI, search.Quantity}
}

func ends() []int64 {
	return []int64{math.MinInt64, -1001, -1, 0, 1, 999, 1000, 1001, 2000, math.MaxInt64}
}

func texts() []string {
	return []string{"", "a", "ab", "abc", "b", "a%", "a_", "é", "é日", "\U0010FFFF", "ab'; --"}
}

// searchEqualsFilter checks that a search, read page by page, equals the dumb filter.
func searchEqualsFilter(t *testing.T, st store.Store) {
	run := 0
	rapid.Check(t, func(rt *rapid.T) {
		run++ // a resource type of its own makes an empty store of each run
		types := []string{fmt.Sprintf("Type%d", run), fmt.Sprintf("Other%d", run)}
		rs := rapid.SliceOfN(resources(types), 1, 14).Draw(rt, "resources")
		for i := range rs {
			rs[i].ID = fmt.Sprintf("%s-%d", rs[i].ID, i)
		}
		mustCommit(rt, st, store.Changeset{Resources: rs})
		for range 4 {
			q := queries(types).Draw(rt, "query")
			for _, r := range rs {
				if r.Type == q.Type && len(q.Joined()) == 0 {
					require.Equal(rt, inMemory(rs).fulfils(r, q.All), q.Matches(r.ID, r.Updated, r.Index), "one by one as in a search")
				}
			}
			want := filter(rs, q)
			got, _ := walk(rt, st, q)
			require.Equal(rt, ids(want), ids(got))
			require.Equal(rt, len(want), mustSearch(rt, st, q).Total)
			q.NoTotal = true
			require.Equal(rt, -1, mustSearch(rt, st, q).Total)
			require.Equal(rt, ids(want[:min(len(want), q.Count)]), ids(mustSearch(rt, st, q).Matches))
			for i := range want {
				require.Equal(rt, stored(want[i]), got[i])
			}
		}
	})
}

// places are where references lead to, some of them to a resource of the run.
func places() []string { return []string{"A-0", "a-0", "a-1", "b-1", "A-2", "--2", "a-3", "b-4"} }

func resources(types []string) *rapid.Generator[store.Resource] {
	return rapid.Custom(func(t *rapid.T) store.Resource {
		return store.Resource{
			Type: rapid.SampledFrom(types).Draw(t, "type"), ID: rapid.SampledFrom([]string{"A", "a", "b", "-"}).Draw(t, "id"), Version: 1,
			Updated: time.UnixMicro(rapid.Int64Range(-2, 2).Draw(t, "updated")).UTC(),
			Unit:    rapid.SampledFrom([]string{"", "u", "v"}).Draw(t, "unit"), Body: []byte("{}"),
			Index: rapid.SliceOfN(values(types), 0, 6).Draw(t, "index"),
		}
	})
}

func values(types []string) *rapid.Generator[search.Value] {
	return rapid.Custom(func(t *rapid.T) search.Value {
		v := search.Value{Param: rapid.SampledFrom(params()).Draw(t, "param"), Kind: rapid.SampledFrom(kinds()).Draw(t, "kind")}
		switch v.Kind {
		case search.Token:
			v.System, v.Code = rapid.SampledFrom(texts()).Draw(t, "system"), rapid.SampledFrom(texts()).Draw(t, "code")
			v.Text = rapid.SampledFrom(texts()).Draw(t, "text")
		case search.Reference:
			v.System = rapid.SampledFrom(append(types, "")).Draw(t, "system")
			v.Code = rapid.SampledFrom(append(places(), texts()...)).Draw(t, "code")
			v.Text = rapid.SampledFrom(texts()).Draw(t, "text")
		case search.URI:
			v.Code = rapid.SampledFrom(texts()).Draw(t, "code")
		case search.String:
			v.Text, v.Code = rapid.SampledFrom(texts()).Draw(t, "text"), rapid.SampledFrom(texts()).Draw(t, "code")
		case search.Date:
			v.Lo, v.Hi = ranges(t)
		case search.Quantity:
			v.Lo, v.Hi = ranges(t)
			v.System, v.Code = rapid.SampledFrom([]string{"", "a"}).Draw(t, "system"), rapid.SampledFrom([]string{"", "a", "b"}).Draw(t, "code")
			v.Text = rapid.SampledFrom([]string{"", "a", "b"}).Draw(t, "text")
		case search.Composite:
		}
		return v
	})
}

func ranges(t *rapid.T) (lo, hi int64) {
	lo, hi = rapid.SampledFrom(ends()).Draw(t, "lo"), rapid.SampledFrom(ends()).Draw(t, "hi")
	return min(lo, hi), max(lo, hi)
}

func queries(types []string) *rapid.Generator[search.Query] {
	return rapid.Custom(func(t *rapid.T) search.Query {
		q := search.Query{
			Type: types[0], All: rapid.SliceOfN(conditions(types, 2), 0, 3).Draw(t, "all"), Count: rapid.IntRange(1, 6).Draw(t, "count"),
			Sort: rapid.SliceOfN(sorts(), 0, 3).Draw(t, "sort"),
		}
		q.Units, q.Shared = limits(t, types)
		return q
	})
}

// limits are the units of a query or a join, mostly none.
func limits(t *rapid.T, types []string) (units []string, shared search.Shared) {
	if rapid.IntRange(0, 3).Draw(t, "limited") > 0 {
		return nil, shared
	}
	units = rapid.SliceOfNDistinct(rapid.SampledFrom([]string{"", "u", "v"}), 0, 2, rapid.ID).Draw(t, "units")
	switch rapid.IntRange(0, 2).Draw(t, "shared") {
	case 1:
		shared.Open = true
	case 2:
		shared = search.Shared{By: rapid.SampledFrom(types).Draw(t, "by"), Param: rapid.SampledFrom(params()).Draw(t, "param")}
	}
	return units, shared
}

func sorts() *rapid.Generator[search.Sort] {
	return rapid.Custom(func(t *rapid.T) search.Sort {
		s := search.Sort{
			Param: rapid.SampledFrom([]string{"p", "q", "_lastUpdated", "_id"}).Draw(t, "sort"),
			Kind:  rapid.SampledFrom(kinds()).Draw(t, "kind"), Descending: rapid.Bool().Draw(t, "descending"),
		}
		switch s.Param {
		case "_id":
			s.Kind = search.Token
		case "_lastUpdated":
			s.Kind = search.Date
		}
		return s
	})
}

// conditions are about the first of the types. Depth is how many joins and lists may stand
// inside of each other.
func conditions(types []string, depth int) *rapid.Generator[search.Condition] {
	return rapid.Custom(func(t *rapid.T) search.Condition {
		if depth > 0 {
			switch rapid.IntRange(0, 5).Draw(t, "nested") {
			case 0:
				return search.Condition{Join: joins(t, types, depth-1)}
			case 1:
				lists := rapid.SliceOfN(rapid.SliceOfN(conditions(types, depth-1), 1, 2), 1, 2).Draw(t, "either")
				return search.Condition{Either: lists}
			}
		}
		return plain(t)
	})
}

func joins(t *rapid.T, types []string, depth int) *search.Join {
	to := types
	if rapid.Bool().Draw(t, "other") {
		to = []string{types[1], types[0]}
	}
	j := &search.Join{
		Type: to[0], Param: rapid.SampledFrom(params()).Draw(t, "param"), Reverse: rapid.Bool().Draw(t, "reverse"),
		All: rapid.SliceOfN(conditions(to, depth), 0, 2).Draw(t, "all"),
	}
	j.Units, j.Shared = limits(t, types)
	return j
}

func plain(t *rapid.T) search.Condition {
	c := search.Condition{Param: rapid.SampledFrom(append(params(), "_id", "_lastUpdated")).Draw(t, "param")}
	switch c.Param {
	case "_id":
		c.Kind = search.Token
	case "_lastUpdated":
		c.Kind = search.Date
	default:
		c.Kind = rapid.SampledFrom(kinds()).Draw(t, "kind")
	}
	if rapid.IntRange(0, 4).Draw(t, "presence") == 0 {
		missing := rapid.Bool().Draw(t, "missing")
		c.Missing = &missing
		return c
	}
	c.Not = rapid.IntRange(0, 2).Draw(t, "not") == 0
	switch {
	case c.Kind == search.String:
		c.Match = rapid.SampledFrom([]search.Match{search.Plain, search.Exact, search.Contains}).Draw(t, "match")
	case c.Param != "_id" && (c.Kind == search.Token || c.Kind == search.Reference):
		c.Match = rapid.SampledFrom([]search.Match{search.Plain, search.Plain, search.Called}).Draw(t, "match")
	}
	c.Any = rapid.SliceOfN(terms(c.Kind, c.Param), 1, 3).Draw(t, "any")
	return c
}

func terms(kind search.Kind, param string) *rapid.Generator[search.Term] {
	return rapid.Custom(func(t *rapid.T) search.Term {
		term := search.Term{
			System: rapid.SampledFrom(texts()).Draw(t, "system"), SystemGiven: rapid.Bool().Draw(t, "given"),
			Code: rapid.SampledFrom(texts()).Draw(t, "code"), Text: rapid.SampledFrom(texts()).Draw(t, "text"),
		}
		if param == "_id" {
			term.Code = rapid.SampledFrom([]string{"", "a-0", "A-0", "b-1", "--2"}).Draw(t, "id")
		}
		if kind == search.Quantity {
			term.System, term.Code = rapid.SampledFrom([]string{"", "a"}).Draw(t, "unit system"), rapid.SampledFrom([]string{"", "a", "b"}).Draw(t, "unit")
		}
		if kind == search.Reference {
			term.Code = rapid.SampledFrom(append(places(), texts()...)).Draw(t, "to")
		}
		if kind == search.Date || kind == search.Quantity {
			term.Prefix = rapid.SampledFrom([]search.Prefix{
				search.PrefixEqual, search.PrefixNotEqual, search.PrefixGreater, search.PrefixLess, search.PrefixGreaterEqual,
				search.PrefixLessEqual, search.PrefixStartsAfter, search.PrefixEndsBefore, search.PrefixApproximate,
			}).Draw(t, "prefix")
			term.Lo, term.Hi = ranges(t)
		}
		return term
	})
}
