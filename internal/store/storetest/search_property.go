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
func params() []string { return []string{"p", "q"} }

func kinds() []search.Kind {
	return []search.Kind{search.Token, search.Reference, search.Date, search.String, search.URI}
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
		rs := rapid.SliceOfN(resources(fmt.Sprintf("Type%d", run)), 1, 12).Draw(rt, "resources")
		for i := range rs {
			rs[i].ID = fmt.Sprintf("%s-%d", rs[i].ID, i)
		}
		mustCommit(rt, st, store.Changeset{Resources: rs})
		for range 4 {
			q := queries(rs[0].Type).Draw(rt, "query")
			want := filter(rs, q)
			got, _ := walk(rt, st, q)
			require.Equal(rt, ids(want), ids(got))
			require.Equal(rt, len(want), mustSearch(rt, st, q).Total)
			for i := range want {
				require.Equal(rt, stored(want[i]), got[i])
			}
		}
	})
}

func resources(resourceType string) *rapid.Generator[store.Resource] {
	return rapid.Custom(func(t *rapid.T) store.Resource {
		return store.Resource{
			Type: resourceType, ID: rapid.SampledFrom([]string{"A", "a", "b", "-"}).Draw(t, "id"), Version: 1,
			Updated: time.UnixMicro(rapid.Int64Range(-2, 2).Draw(t, "updated")).UTC(),
			Unit:    rapid.SampledFrom([]string{"", "u", "v"}).Draw(t, "unit"), Body: []byte("{}"),
			Index: rapid.SliceOfN(values(), 0, 6).Draw(t, "index"),
		}
	})
}

func values() *rapid.Generator[search.Value] {
	return rapid.Custom(func(t *rapid.T) search.Value {
		v := search.Value{Param: rapid.SampledFrom(params()).Draw(t, "param"), Kind: rapid.SampledFrom(kinds()).Draw(t, "kind")}
		switch v.Kind {
		case search.Token, search.Reference:
			v.System, v.Code = rapid.SampledFrom(texts()).Draw(t, "system"), rapid.SampledFrom(texts()).Draw(t, "code")
		case search.URI:
			v.Code = rapid.SampledFrom(texts()).Draw(t, "code")
		case search.String:
			v.Text = rapid.SampledFrom(texts()).Draw(t, "text")
		case search.Date:
			v.Lo, v.Hi = ranges(t)
			v.Lo = min(v.Lo, math.MaxInt64-1) // an open end is a Hi, an open start a Lo
		}
		return v
	})
}

func ranges(t *rapid.T) (lo, hi int64) {
	lo, hi = rapid.SampledFrom(ends()).Draw(t, "lo"), rapid.SampledFrom(ends()).Draw(t, "hi")
	return min(lo, hi), max(lo, hi)
}

func queries(resourceType string) *rapid.Generator[search.Query] {
	return rapid.Custom(func(t *rapid.T) search.Query {
		q := search.Query{
			Type: resourceType, All: rapid.SliceOfN(conditions(), 0, 3).Draw(t, "all"), Count: rapid.IntRange(1, 6).Draw(t, "count"),
			Sort: search.Sort{
				Param:      rapid.SampledFrom([]string{"", "p", "q", "_lastUpdated"}).Draw(t, "sort"),
				Descending: rapid.Bool().Draw(t, "descending"),
			},
		}
		if rapid.IntRange(0, 3).Draw(t, "limited") == 0 {
			q.Units = rapid.SliceOfNDistinct(rapid.SampledFrom([]string{"", "u", "v"}), 0, 2, rapid.ID).Draw(t, "units")
		}
		return q
	})
}

func conditions() *rapid.Generator[search.Condition] {
	return rapid.Custom(func(t *rapid.T) search.Condition {
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
		c.Any = rapid.SliceOfN(terms(c.Kind, c.Param), 1, 3).Draw(t, "any")
		return c
	})
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
		if kind == search.Date {
			term.Prefix = rapid.SampledFrom([]search.Prefix{
				search.PrefixEqual, search.PrefixNotEqual, search.PrefixGreater, search.PrefixLess, search.PrefixGreaterEqual,
				search.PrefixLessEqual, search.PrefixStartsAfter, search.PrefixEndsBefore,
			}).Draw(t, "prefix")
			term.Lo, term.Hi = ranges(t)
		}
		return term
	})
}
