package searchsql_test

import (
	"fmt"
	"regexp"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/store/searchsql"
)

type dialect struct{}

func (dialect) Placeholder(n int) string { return fmt.Sprintf("$%d", n) }
func (dialect) StartsWith(column, arg string) string {
	return "starts_with(" + column + ", " + arg + ")"
}

func (dialect) Contains(column, arg string) string { return "contains(" + column + ", " + arg + ")" }
func (dialect) Micros(column string) string        { return "micros(" + column + ")" }
func (dialect) Instant(micros int64) any           { return micros }

// TestBuildTakesNothingIntoTheText fills every text field of a query with one hostile
// text: the statement must come out as it does with a harmless one.
func TestBuildTakesNothingIntoTheText(t *testing.T) {
	const hostile = `'; DROP TABLE resource; --`
	build := func(s string, back bool) (string, []any) {
		var all []search.Condition
		term := search.Term{System: s, SystemGiven: true, Code: s, Text: s, Prefix: search.Prefix(s), Lo: 1, Hi: 2}
		for kind := search.Kind(0); kind <= search.Composite+1; kind++ {
			all = append(all, search.Condition{Param: s, Kind: kind, Any: []search.Term{term}})
			all = append(all, search.Condition{Param: s, Kind: kind, Any: []search.Term{term, term}})
		}
		for m := search.Plain; m <= search.Called+1; m++ {
			all = append(all, search.Condition{Param: s, Kind: search.String, Match: m, Any: []search.Term{term}})
		}
		for _, reverse := range []bool{false, true} {
			j := search.Join{Type: s, Param: s, Reverse: reverse, All: all[:2], Units: []string{s}, Shared: search.Shared{By: s, Param: s}}
			all = append(all, search.Condition{Param: s, Join: &j}, search.Condition{Param: s, Either: [][]search.Condition{all[:2], all[2:3]}})
		}
		q := search.Query{
			Type: s, All: all, Sort: []search.Sort{{Param: s, Kind: search.Date, Descending: true}, {Param: s, Kind: search.Token}}, Count: 3,
			After: &search.Cursor{Keys: []search.Key{{Number: 5}, {Text: s}}, ID: s}, Units: []string{s, s}, Shared: search.Shared{By: s, Param: s},
		}
		if back {
			q.Before, q.After = q.After, nil
		}
		return searchsql.Build(q, dialect{})
	}
	for _, back := range []bool{false, true} {
		got, args := build(hostile, back)
		want, _ := build("x", back)
		require.Equal(t, want, got)
		require.NotContains(t, got, "DROP")
		require.Contains(t, args, any(hostile))
		require.Len(t, placeholders(got), len(args))
	}
}

// TestBuildUsesEveryArgument: PostgreSQL can't tell the type of an argument that the
// text does not name.
func TestBuildUsesEveryArgument(t *testing.T) {
	prefixes := []search.Prefix{
		search.PrefixEqual, search.PrefixNotEqual, search.PrefixGreater, search.PrefixLess, search.PrefixGreaterEqual,
		search.PrefixLessEqual, search.PrefixStartsAfter, search.PrefixEndsBefore, search.PrefixApproximate,
	}
	for _, p := range prefixes {
		for _, param := range []string{"when", "_lastUpdated"} {
			text, args := searchsql.Build(search.Query{Type: "Task", Count: 1, All: []search.Condition{
				{Param: param, Kind: search.Date, Any: []search.Term{{Prefix: p, Lo: 1, Hi: 2}}},
			}}, dialect{})
			require.Len(t, placeholders(text), len(args), "%s %s", p, param)
		}
	}
}

// placeholders gives the different ones in a text.
func placeholders(text string) []string {
	all := regexp.MustCompile(`\$\d+`).FindAllString(text, -1)
	slices.Sort(all)
	return slices.Compact(all)
}
