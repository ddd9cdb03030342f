package search

import (
	"slices"
	"strings"
	"time"
)

// Matches reports whether a version of a resource of the query's type fulfils all the
// conditions, as a store would find it by the same values. Order, page and units play no
// part. What a Join asks of other resources it can't know, and takes for not fulfilled.
func (q Query) Matches(id string, updated time.Time, values []Value) bool {
	own := []Value{
		{Param: "_id", Kind: Token, Code: id},
		{Param: "_lastUpdated", Kind: Date, Lo: updated.UnixNano(), Hi: updated.UnixNano()},
	}
	return hold(q.All, append(own, values...))
}

// hold reports whether all conditions hold for the values.
func hold(all []Condition, values []Value) bool {
	return !slices.ContainsFunc(all, func(c Condition) bool { return !c.holds(values) })
}

func (c Condition) holds(values []Value) bool {
	switch {
	case c.Join != nil:
		return false
	case c.Either != nil:
		return slices.ContainsFunc(c.Either, func(all []Condition) bool { return hold(all, values) })
	}
	found := slices.ContainsFunc(values, func(v Value) bool {
		asked := func(t Term) bool { return v.fits(t, c.Match) }
		return v.Param == c.Param && v.Kind == c.Kind && (c.Missing != nil || slices.ContainsFunc(c.Any, asked))
	})
	if c.Missing != nil {
		return found != *c.Missing
	}
	return found != c.Not
}

// fits reports whether a term asks for the value.
func (v Value) fits(t Term, m Match) bool {
	switch m {
	case Exact:
		return v.Text == t.Text && v.Code == t.Code
	case Contains:
		return strings.Contains(v.Text, t.Text)
	case Called:
		return strings.HasPrefix(v.Text, t.Text)
	case Plain:
	}
	switch v.Kind {
	case Token:
		return (v.Code == t.Code || t.SystemGiven && t.Code == "") && (v.System == t.System || !t.SystemGiven)
	case Reference:
		return v.Code == t.Code && (t.System == "" || v.System == t.System)
	case Date:
		return v.compares(t)
	case String:
		return strings.HasPrefix(v.Text, t.Text)
	case URI:
		return v.Code == t.Code
	case Quantity:
		return v.inUnit(t) && v.compares(t)
	case Composite: // asked for by its parts
	}
	return false
}

// inUnit reports whether a quantity is in the unit that a term asks for, if it does.
func (v Value) inUnit(t Term) bool {
	switch {
	case t.Code == "":
		return true
	case t.SystemGiven:
		return v.Code == t.Code && v.System == t.System
	}
	return v.Code == t.Code || v.Text == t.Code
}

// compares holds ranges against each other as R4 search.html#prefix says.
func (v Value) compares(t Term) bool {
	inside := v.Lo >= t.Lo && v.Hi <= t.Hi
	switch t.Prefix {
	case PrefixNotEqual:
		return !inside
	case PrefixGreater:
		return v.Hi > t.Hi
	case PrefixLess:
		return v.Lo < t.Lo
	case PrefixGreaterEqual:
		return v.Hi > t.Hi || inside
	case PrefixLessEqual:
		return v.Lo < t.Lo || inside
	case PrefixStartsAfter:
		return v.Lo > t.Hi
	case PrefixEndsBefore:
		return v.Hi < t.Lo
	case PrefixApproximate:
		return v.Lo <= t.Hi && v.Hi >= t.Lo
	case PrefixEqual:
	}
	return inside
}
