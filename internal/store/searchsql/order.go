package searchsql

import (
	"fmt"
	"strings"

	"fhirsvc/internal/fhir/search"
)

// order is the order of the matches as SQL: key by key, what has no key last, then by id.
// The page before a place is cut in the reverse of it.
type order []search.Sort

func orderOf(q search.Query) order { return q.Sort }

func name(i int) string { return fmt.Sprintf("k%d", i) }

// by is the list of an ORDER BY.
func (o order) by(table string, reverse bool) string {
	var parts []string
	for i, s := range o {
		key := table + "." + name(i)
		parts = append(parts, fmt.Sprintf("(%s IS NULL) %s", key, direction(reverse)), key+" "+direction(s.Descending != reverse))
	}
	return strings.Join(append(parts, table+".id "+direction(reverse)), ", ")
}

// told are the columns that say where in the order a row stands.
func (o order) told(table string) string {
	out := ""
	for i := range o {
		out += fmt.Sprintf(", CAST(%s.%s AS text)", table, name(i))
	}
	return out
}

func direction(descending bool) string {
	if descending {
		return "DESC"
	}
	return "ASC"
}

// keys are the columns that the matches are ordered by.
func (b *builder) keys(sorts []search.Sort) string {
	out := ""
	for i, s := range sorts {
		out += fmt.Sprintf(",\n    %s AS %s", b.key(s), name(i))
	}
	return out
}

// key is the expression of one key. Of several values the one that comes first in the order
// counts (R4 search.html#sort); an empty code is none.
func (b *builder) key(s search.Sort) string {
	switch s.Param {
	case "_lastUpdated":
		return b.dialect.Micros("r.updated")
	case "_id":
		return "r.id"
	}
	column, limit := "v.lo", ""
	switch s.Kind {
	case search.String:
		column = "v.text"
	case search.Token, search.Reference, search.URI:
		column, limit = "v.code", " AND v.code <> ''"
	case search.Date, search.Quantity, search.Composite:
	}
	first := "min"
	if s.Descending {
		first = "max"
	}
	return fmt.Sprintf("(%s\n      SELECT %s(%s) FROM v WHERE v.param = %s AND v.kind = %d%s)", valuesOf("r"), first, column, b.arg(s.Param), s.Kind, limit)
}

// beyond keeps what comes after, or before, the place of the query.
func (b *builder) beyond(q search.Query, o order) string {
	from, back := q.After, false
	if q.Before != nil {
		from, back = q.Before, true
	}
	if from == nil {
		return ""
	}
	var alternatives []string
	same := ""
	for i, s := range o {
		key, at := "m."+name(i), search.Key{None: true}
		if i < len(from.Keys) {
			at = from.Keys[i]
		}
		if further := b.further(key, at, s.Descending != back, back, s.IsText()); further != "" {
			alternatives = append(alternatives, same+further)
		}
		if at.None {
			same += key + " IS NULL AND "
		} else {
			same += key + " = " + b.keyArg(at, s.IsText()) + " AND "
		}
	}
	id := ">"
	if back {
		id = "<"
	}
	alternatives = append(alternatives, same+"m.id "+id+" "+b.arg(from.ID))
	return "\n  WHERE (" + strings.Join(alternatives, ") OR (") + ")"
}

// further is true of the keys on the far side of one: to what has none, last in the order,
// everything else is before, and nothing after. "" is never true.
func (b *builder) further(key string, at search.Key, descending, back, text bool) string {
	compare := ">"
	if descending {
		compare = "<"
	}
	switch {
	case at.None && back:
		return key + " IS NOT NULL"
	case at.None:
		return ""
	case back:
		return key + " " + compare + " " + b.keyArg(at, text)
	}
	return "(" + key + " " + compare + " " + b.keyArg(at, text) + " OR " + key + " IS NULL)"
}

func (b *builder) keyArg(k search.Key, text bool) string {
	if text {
		return b.arg(k.Text)
	}
	return b.arg(k.Number)
}
