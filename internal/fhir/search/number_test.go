package search_test

import (
	"math"
	"net/url"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/search"
)

// The ranges are those of hl7.org/fhir/R4/search.html#number: "100" is anything from 99.5 up
// to 100.5, "100.00" from 99.995 up to 100.005; other prefixes take the number as it stands.
func TestParseQuantities(t *testing.T) {
	t.Parallel()
	const b = 1_000_000_000
	tests := []struct {
		value string
		want  search.Term
	}{
		{"100", search.Term{Prefix: search.PrefixEqual, Lo: 99*b + b/2, Hi: 100*b + b/2 - 1}},
		{"100.00", search.Term{Prefix: search.PrefixEqual, Lo: 99_995_000_000, Hi: 100_005_000_000 - 1}},
		{"ne-5.4", search.Term{Prefix: search.PrefixNotEqual, Lo: -5_450_000_000, Hi: -5_350_000_000 - 1}},
		{"0.000000001", search.Term{Prefix: search.PrefixEqual, Lo: 1, Hi: 1}},
		{"gt5.4", search.Term{Prefix: search.PrefixGreater, Lo: 5_400_000_000, Hi: 5_400_000_000}},
		{"le100|http://unitsofmeasure.org|mm[Hg]", search.Term{Prefix: search.PrefixLessEqual, Lo: 100 * b, Hi: 100 * b, System: "http://unitsofmeasure.org", SystemGiven: true, Code: "mm[Hg]"}},
		{"sa5||mL", search.Term{Prefix: search.PrefixStartsAfter, Lo: 5 * b, Hi: 5 * b, Code: "mL"}},
		{"ap50", search.Term{Prefix: search.PrefixApproximate, Lo: 45 * b, Hi: 55 * b}},
		{"ap-50", search.Term{Prefix: search.PrefixApproximate, Lo: -55 * b, Hi: -45 * b}},
		{"lt99999999999", search.Term{Prefix: search.PrefixLess, Lo: math.MaxInt64, Hi: math.MaxInt64}},
	}
	for _, tt := range tests {
		q, _, issues := search.Parse("Observation", url.Values{"value-quantity": {tt.value}}, search.Options{})
		require.Empty(t, issues, tt.value)
		require.Equal(t, []search.Term{tt.want}, q.All[0].Any, tt.value)
	}
	for _, value := range []string{"", "x", "1e2", "5.", ".5", "5|mL", "5||", "5|s|", "5|a|b|c", "xx5", "--5", "Infinity", "gt"} {
		_, _, issues := search.Parse("Observation", url.Values{"value-quantity": {value}}, search.Options{})
		require.True(t, outcome.HasErrors(issues), value)
	}
}

func TestIndexQuantities(t *testing.T) {
	t.Parallel()
	value := func(lo, hi int64) []search.Value {
		return []search.Value{{Kind: search.Quantity, System: "urn:u", Code: "mL", Text: "millilitre", Lo: lo, Hi: hi}}
	}
	for text, want := range map[string][]search.Value{
		`"value":12`:                    value(12_000_000_000, 12_000_000_000),
		`"value":1.2E1`:                 value(12_000_000_000, 12_000_000_000),
		`"value":-0.0000000015`:         value(-2, -1),
		`"value":1e-99999`:              value(0, 1),
		`"value":-1e-99999`:             value(-1, 0),
		`"value":0e99999`:               value(0, 0),
		`"value":1e99999`:               value(math.MaxInt64, math.MaxInt64),
		`"value":-99999999999`:          value(math.MinInt64, math.MinInt64),
		`"value":3,"comparator":"<"`:    value(math.MinInt64, 3_000_000_000),
		`"value":3,"comparator":">="`:   value(3_000_000_000, math.MaxInt64),
		`"value":"3"`:                   nil,
		`"comparator":"<"`:              nil,
		`"value":3e9999999999999999999`: nil,
	} {
		body := `{"valueQuantity":{` + text + `,"system":"urn:u","code":"mL","unit":"millilitre"}}`
		require.Equal(t, want, indexed("Observation", body, "value-quantity"), text)
	}
}

// R4 search.html#prefix: about is "10% of the gap between now and the date".
func TestParseDatesThatAreAbout(t *testing.T) {
	t.Parallel()
	now := time.Date(2025, 3, 11, 0, 0, 0, 0, time.UTC)
	for value, want := range map[string][2]string{
		"ap2025-03-01T00:00:00Z": {"2025-02-28T00:00:00Z", "2025-03-02T00:00:00.899999999Z"},
		"ap2025-03-21T00:00:00Z": {"2025-03-20T00:00:00Z", "2025-03-22T00:00:01.099999999Z"},
	} {
		q, _, issues := search.Parse("Task", url.Values{"due-date": {value}}, search.Options{Now: now})
		require.Empty(t, issues)
		got := q.All[0].Any[0]
		require.Equal(t, at(t, want[0]), got.Lo, value)
		require.InDelta(t, at(t, want[1]), got.Hi, 1, value)
	}
	for _, value := range []string{"ap0001", "ap9999-12-31"} {
		q, _, issues := search.Parse("Task", url.Values{"due-date": {value}}, search.Options{Now: now})
		require.Empty(t, issues)
		require.LessOrEqual(t, q.All[0].Any[0].Lo, q.All[0].Any[0].Hi, value)
	}
}
