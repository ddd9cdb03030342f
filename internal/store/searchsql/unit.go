package searchsql

import (
	"strings"

	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/store"
)

// unitParam is the parameter whose values are kept with their unit: what a ward asks first is
// the status of its own.
const unitParam = "status"

// mostInUnits bounds the list that inUnits looks up.
const mostInUnits = 400

// UnitOf gives the unit that is kept with an index value, "" for none.
func UnitOf(r *store.Resource, v *search.Value) string {
	if v.Param == unitParam && v.Kind == search.Token {
		return r.Unit
	}
	return ""
}

// ofUnits reports whether a condition can be looked up by unit and code together.
func (b *builder) ofUnits(c search.Condition) bool {
	if c.Param != unitParam || c.Kind != search.Token || c.Match != search.Plain || c.Not || len(c.Any) == 0 ||
		b.units == nil || len(c.Any)*(len(b.units)+1) > mostInUnits {
		return false
	}
	for _, t := range c.Any {
		if t.Code == "" {
			return false
		}
	}
	return true
}

// inUnits is the test of a code within the units. Values from before they had a unit have
// none; the unit of their resource is tested as ever.
func (b *builder) inUnits(c search.Condition, value columns) string {
	const column = "(v.unit || ' ' || v.code)"
	terms := make([]string, len(c.Any))
	for i, t := range c.Any {
		keys := []string{" " + t.Code}
		for _, u := range b.units {
			keys = append(keys, u+" "+t.Code)
		}
		terms[i] = b.isOneOf(column, keys)
		if t.SystemGiven {
			terms[i] += " AND " + value.system + " = " + b.arg(t.System)
		}
	}
	return "(" + strings.Join(terms, " OR ") + ")"
}
