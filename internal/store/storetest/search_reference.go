package storetest

import (
	"cmp"
	"math"
	"slices"
	"strings"

	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/store"
)

// filter is the dumb search that a store must agree with: it looks at every resource
// and reads R4 search.html word by word, without an index, a cursor or a database.
func filter(rs []store.Resource, q search.Query) []store.Resource {
	var found []store.Resource
	for _, r := range rs {
		if r.Type == q.Type && inUnits(r, q.Units) && fulfils(r, q.All) {
			found = append(found, r)
		}
	}
	slices.SortFunc(found, func(a, b store.Resource) int {
		keyA, hasA := sortKey(a, q.Sort)
		keyB, hasB := sortKey(b, q.Sort)
		switch {
		case hasA != hasB && hasA:
			return -1
		case hasA != hasB:
			return 1
		case keyA != keyB && q.Sort.Descending:
			return cmp.Compare(keyB, keyA)
		case keyA != keyB:
			return cmp.Compare(keyA, keyB)
		}
		return cmp.Compare(a.ID, b.ID)
	})
	return found
}

func inUnits(r store.Resource, units []string) bool {
	return units == nil || slices.Contains(units, r.Unit)
}

func fulfils(r store.Resource, all []search.Condition) bool {
	return !slices.ContainsFunc(all, func(c search.Condition) bool { return !holds(r, c) })
}

func holds(r store.Resource, c search.Condition) bool {
	values := valuesOf(r, c.Param, c.Kind)
	if c.Missing != nil {
		return *c.Missing == (len(values) == 0)
	}
	found := slices.ContainsFunc(values, func(v search.Value) bool {
		return slices.ContainsFunc(c.Any, func(t search.Term) bool { return fits(v, t) })
	})
	return found != c.Not
}

func valuesOf(r store.Resource, param string, kind search.Kind) []search.Value {
	all := append(slices.Clone(r.Index),
		token("_id", "", r.ID), date("_lastUpdated", r.Updated.UnixNano(), r.Updated.UnixNano()))
	return slices.DeleteFunc(all, func(v search.Value) bool { return v.Param != param || v.Kind != kind })
}

func fits(v search.Value, t search.Term) bool {
	switch v.Kind {
	case search.Token:
		anyCode := t.SystemGiven && t.Code == ""
		return (anyCode || v.Code == t.Code) && (!t.SystemGiven || v.System == t.System)
	case search.Reference:
		return v.Code == t.Code && (t.System == "" || v.System == t.System)
	case search.Date:
		return compares(v, t)
	case search.String:
		return strings.HasPrefix(v.Text, t.Text)
	case search.URI:
		return v.Code == t.Code
	}
	return false
}

// compares is R4 search.html#prefix: "the range of the search value fully contains the
// range of the target value", "the range above the search value intersects …".
func compares(v search.Value, t search.Term) bool {
	contained := t.Lo <= v.Lo && v.Hi <= t.Hi
	above := v.Hi > t.Hi
	below := v.Lo < t.Lo
	switch t.Prefix {
	case search.PrefixNotEqual:
		return !contained
	case search.PrefixGreater:
		return above
	case search.PrefixLess:
		return below
	case search.PrefixGreaterEqual:
		return above || contained
	case search.PrefixLessEqual:
		return below || contained
	case search.PrefixStartsAfter:
		return v.Lo > t.Hi
	case search.PrefixEndsBefore:
		return v.Hi < t.Lo
	case search.PrefixEqual:
	}
	return contained
}

// sortKey gives of several values the one that comes first in the order
// (R4 search.html#sort).
func sortKey(r store.Resource, s search.Sort) (key int64, ok bool) {
	if s.Param == "" {
		return 0, true
	}
	key = math.MaxInt64
	if s.Descending {
		key = math.MinInt64
	}
	for _, v := range valuesOf(r, s.Param, search.Date) {
		ok = true
		if s.Descending == (v.Lo > key) {
			key = v.Lo
		}
	}
	return key, ok
}
