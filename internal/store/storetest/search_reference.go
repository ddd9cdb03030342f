package storetest

import (
	"cmp"
	"slices"
	"strings"

	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/store"
)

// filter is the dumb search that a store must agree with: it looks at every resource
// and reads R4 search.html word by word, without an index, a cursor or a database.
func filter(rs []store.Resource, q search.Query) []store.Resource {
	w := inMemory(rs)
	var found []store.Resource
	for _, r := range rs {
		if r.Type == q.Type && w.inUnits(r, q.Units, q.Shared) && w.fulfils(r, q.All) {
			found = append(found, r)
		}
	}
	slices.SortFunc(found, func(a, b store.Resource) int { return comparePlaces(placeOf(a, q.Sort), placeOf(b, q.Sort), q.Sort) })
	return found
}

// inMemory is all resources that there are.
type inMemory []store.Resource

func (w inMemory) inUnits(r store.Resource, units []string, shared search.Shared) bool {
	switch {
	case units == nil || slices.Contains(units, r.Unit):
		return true
	case r.Unit != "":
		return false
	case shared.Open:
		return true
	}
	return slices.ContainsFunc(w, func(by store.Resource) bool {
		return by.Type == shared.By && slices.Contains(units, by.Unit) && refers(by, shared.Param, r)
	})
}

// refers reports whether a resource refers to another one under a parameter.
func refers(from store.Resource, param string, to store.Resource) bool {
	return slices.ContainsFunc(valuesOf(from, param, search.Reference), func(v search.Value) bool {
		return v.System == to.Type && v.Code == to.ID
	})
}

func (w inMemory) fulfils(r store.Resource, all []search.Condition) bool {
	return !slices.ContainsFunc(all, func(c search.Condition) bool { return !w.holds(r, c) })
}

func (w inMemory) holds(r store.Resource, c search.Condition) bool {
	switch {
	case c.Join != nil:
		j := *c.Join
		return slices.ContainsFunc(w, func(o store.Resource) bool {
			joined := refers(r, j.Param, o)
			if j.Reverse {
				joined = refers(o, j.Param, r)
			}
			return joined && o.Type == j.Type && w.inUnits(o, j.Units, j.Shared) && w.fulfils(o, j.All)
		})
	case c.Either != nil:
		return slices.ContainsFunc(c.Either, func(all []search.Condition) bool { return w.fulfils(r, all) })
	}
	values := valuesOf(r, c.Param, c.Kind)
	if c.Missing != nil {
		return *c.Missing == (len(values) == 0)
	}
	found := slices.ContainsFunc(values, func(v search.Value) bool {
		return slices.ContainsFunc(c.Any, func(t search.Term) bool { return fits(v, t, c.Match) })
	})
	return found != c.Not
}

func valuesOf(r store.Resource, param string, kind search.Kind) []search.Value {
	all := append(slices.Clone(r.Index),
		token("_id", "", r.ID), date("_lastUpdated", r.Updated.UnixNano(), r.Updated.UnixNano()))
	return slices.DeleteFunc(all, func(v search.Value) bool { return v.Param != param || v.Kind != kind })
}

func fits(v search.Value, t search.Term, m search.Match) bool {
	switch m {
	case search.Exact:
		return v.Text == t.Text && v.Code == t.Code
	case search.Contains:
		return strings.Contains(v.Text, t.Text)
	case search.Called:
		return strings.HasPrefix(v.Text, t.Text)
	case search.Plain:
	}
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
	case search.Quantity:
		unit := t.Code == "" || v.Code == t.Code && v.System == t.System
		if !t.SystemGiven {
			unit = t.Code == "" || v.Code == t.Code || v.Text == t.Code
		}
		return unit && compares(v, t)
	case search.Composite:
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
	case search.PrefixApproximate:
		return v.Lo <= t.Hi && v.Hi >= t.Lo
	case search.PrefixEqual:
	}
	return contained
}

// placeOf is where a match stands in an order.
func placeOf(r store.Resource, sorts []search.Sort) search.Cursor {
	c := search.Cursor{ID: r.ID}
	for _, s := range sorts {
		c.Keys = append(c.Keys, sortKey(r, s))
	}
	return c
}

// comparePlaces compares by one key after the other, what has none last, and then by id.
func comparePlaces(a, b search.Cursor, sorts []search.Sort) int {
	for i, s := range sorts {
		x, y := a.Keys[i], b.Keys[i]
		switch c := compareKeys(x, y); {
		case x.None != y.None && x.None:
			return 1
		case x.None != y.None:
			return -1
		case c != 0 && s.Descending:
			return -c
		case c != 0:
			return c
		}
	}
	return cmp.Compare(a.ID, b.ID)
}

func compareKeys(a, b search.Key) int {
	return cmp.Or(cmp.Compare(a.Number, b.Number), strings.Compare(a.Text, b.Text))
}

// sortKey gives of several values the one that comes first in the order
// (R4 search.html#sort).
func sortKey(r store.Resource, s search.Sort) search.Key {
	key := search.Key{None: true}
	for _, v := range valuesOf(r, s.Param, s.Kind) {
		k := search.Key{Number: v.Lo}
		switch s.Kind {
		case search.String:
			k = search.Key{Text: v.Text}
		case search.Token, search.Reference, search.URI:
			if k = (search.Key{Text: v.Code}); v.Code == "" {
				continue
			}
		case search.Date, search.Quantity, search.Composite:
		}
		if key.None || (compareKeys(k, key) < 0) != s.Descending && compareKeys(k, key) != 0 {
			key = k
		}
	}
	return key
}
