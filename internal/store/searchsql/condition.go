package searchsql

import (
	"fmt"
	"strings"

	"fhirsvc/internal/fhir/search"
)

// columns are the SQL expressions of one index value.
type columns struct {
	system, code, text, lo, hi string
}

// bounds turns a term's range into arguments that the lo and hi columns compare with.
type bounds func(search.Term) (lo, hi any)

// condition is true of the resources r that fulfil it.
func (b *builder) condition(c *search.Condition, r string) string {
	switch {
	case c.Join != nil:
		return b.join(*c.Join, r)
	case c.Either != nil:
		return b.either(c.Either, r)
	case c.Param == "_id":
		return b.own(*c, columns{system: "''", code: r + ".id"}, nanoseconds)
	case c.Param == "_lastUpdated":
		return b.own(*c, columns{lo: r + ".updated", hi: r + ".updated"}, b.instants)
	}
	value := columns{system: "v.system", code: "v.code", text: "v.text", lo: "v.lo", hi: "v.hi"}
	limit := ""
	switch {
	case c.Missing != nil:
	case r == matched && b.ofUnits(*c):
		limit = " AND " + b.inUnits(*c, value)
	default:
		limit = " AND " + b.any(*c, value, nanoseconds)
	}
	not := ""
	if c.Not || (c.Missing != nil && *c.Missing) {
		not = "NOT "
	}
	if r == matched && b.follows(c) {
		return fmt.Sprintf("%sEXISTS (%s\n      SELECT 1 FROM v WHERE v.param = %s AND v.kind = %d%s)", not, valuesOf(r), b.arg(c.Param), c.Kind, limit)
	}
	return fmt.Sprintf(`%[1]sEXISTS (SELECT 1 FROM search_index v
      WHERE v.type = %[2]s.type AND v.id = %[2]s.id AND v.param = %[3]s AND v.kind = %[4]d%[5]s)`,
		not, r, b.arg(c.Param), c.Kind, limit)
}

// join is true of the resources r for which there is another one that fulfils all of a
// chain's conditions, within the units that it is limited to.
func (b *builder) join(j search.Join, r string) string {
	b.depth++
	at := fmt.Sprint(b.depth)
	link, other := "l"+at, "r"+at
	resourceType := b.arg(j.Type)
	ends := fmt.Sprintf("%[1]s.type = %[2]s.type AND %[1]s.id = %[2]s.id AND %[1]s.system = %[3]s AND %[4]s.type = %[1]s.system AND %[4]s.id = %[1]s.code",
		link, r, resourceType, other)
	if j.Reverse {
		ends = fmt.Sprintf("%[1]s.type = %[3]s AND %[1]s.system = %[2]s.type AND %[1]s.code = %[2]s.id AND %[4]s.type = %[1]s.type AND %[4]s.id = %[1]s.id",
			link, r, resourceType, other)
	}
	where := []string{ends, fmt.Sprintf("%s.param = %s AND %s.kind = %d", link, b.arg(j.Param), link, search.Reference)}
	if j.Units != nil {
		where = append(where, b.within(other, resourceType, j.Units, j.Shared))
	}
	for i := range j.All {
		where = append(where, b.condition(&j.All[i], other))
	}
	return fmt.Sprintf("EXISTS (SELECT 1 FROM search_index %s, resource %s\n      WHERE %s)", link, other, strings.Join(where, "\n        AND "))
}

// either is true of the resources r that fulfil all conditions of one of the lists.
func (b *builder) either(lists [][]search.Condition, r string) string {
	alternatives := []string{"1 = 0"}
	for _, list := range lists {
		all := []string{"1 = 1"}
		for i := range list {
			all = append(all, b.condition(&list[i], r))
		}
		alternatives = append(alternatives, strings.Join(all, " AND "))
	}
	return "(" + strings.Join(alternatives, " OR ") + ")"
}

// own is a condition on what every resource has exactly one of.
func (b *builder) own(c search.Condition, value columns, limits bounds) string {
	switch {
	case c.Missing != nil && *c.Missing:
		return "1 = 0"
	case c.Missing != nil:
		return "1 = 1"
	case c.Not:
		return "NOT " + b.any(c, value, limits)
	}
	return b.any(c, value, limits)
}

func (b *builder) any(c search.Condition, value columns, limits bounds) string {
	if len(c.Any) == 0 {
		return "(1 = 0)"
	}
	if listed := b.listed(c, value); listed != "" {
		return listed
	}
	terms := make([]string, len(c.Any))
	for i, t := range c.Any {
		terms[i] = b.term(c, t, value, limits)
	}
	return "(" + strings.Join(terms, " OR ") + ")"
}

// listed is the test of many codes in one list, which a database looks up at once where it
// would try one "or" after the other; "" for terms that differ in more than their code.
func (b *builder) listed(c search.Condition, value columns) string {
	first := c.Any[0]
	if len(c.Any) == 1 || c.Match != search.Plain || c.Kind != search.Token && c.Kind != search.Reference {
		return ""
	}
	codes := make([]string, len(c.Any))
	for i, t := range c.Any {
		if t.System != first.System || t.SystemGiven || c.Kind == search.Token && t.System != "" {
			return ""
		}
		codes[i] = t.Code
	}
	test := b.isOneOf(value.code, codes)
	if c.Kind == search.Reference && first.System != "" {
		test += " AND " + value.system + " = " + b.arg(first.System)
	}
	return "(" + test + ")"
}

func (b *builder) term(c search.Condition, t search.Term, value columns, limits bounds) string {
	if c.Match != search.Plain {
		return b.text(c.Match, t, value)
	}
	switch c.Kind {
	case search.Token:
		return b.token(t, value)
	case search.Reference:
		if t.System == "" {
			return value.code + " = " + b.arg(t.Code)
		}
		return "(" + value.code + " = " + b.arg(t.Code) + " AND " + value.system + " = " + b.arg(t.System) + ")"
	case search.Date:
		return b.date(t, value, limits)
	case search.String:
		return b.dialect.StartsWith(value.text, b.arg(t.Text))
	case search.URI:
		return value.code + " = " + b.arg(t.Code)
	case search.Quantity:
		return "(" + b.date(t, value, limits) + b.unit(t, value) + ")"
	case search.Composite:
	}
	return "1 = 0" // no such kind: nothing is indexed under it
}

// text compares texts as a modifier says.
func (b *builder) text(m search.Match, t search.Term, value columns) string {
	switch m {
	case search.Exact: // by the folded text as well, which is indexed
		return "(" + value.text + " = " + b.arg(t.Text) + " AND " + value.code + " = " + b.arg(t.Code) + ")"
	case search.Contains:
		return b.dialect.Contains(value.text, b.arg(t.Text))
	case search.Called, search.Plain:
	}
	return b.dialect.StartsWith(value.text, b.arg(t.Text))
}

// unit is the test of a quantity's unit, "" for any.
func (b *builder) unit(t search.Term, value columns) string {
	switch {
	case t.Code == "":
		return ""
	case t.SystemGiven:
		return " AND " + value.code + " = " + b.arg(t.Code) + " AND " + value.system + " = " + b.arg(t.System)
	}
	return " AND (" + value.code + " = " + b.arg(t.Code) + " OR " + value.text + " = " + b.arg(t.Code) + ")"
}

func (b *builder) token(t search.Term, value columns) string {
	if !t.SystemGiven {
		return value.code + " = " + b.arg(t.Code)
	}
	system := value.system + " = " + b.arg(t.System)
	if t.Code == "" {
		return system
	}
	return "(" + value.code + " = " + b.arg(t.Code) + " AND " + system + ")"
}

// date compares ranges as R4 search.html#prefix says. No prefix means equal. Greater or
// equal and less or equal start with a bound that follows from the rest, because an
// index can't look for an "or".
func (b *builder) date(t search.Term, value columns, limits bounds) string {
	lo, hi := limits(t)
	switch t.Prefix {
	case search.PrefixNotEqual:
		return "NOT " + b.inside(value, lo, hi)
	case search.PrefixGreater:
		return value.hi + " > " + b.arg(hi)
	case search.PrefixLess:
		return value.lo + " < " + b.arg(lo)
	case search.PrefixGreaterEqual:
		return "(" + value.hi + " >= " + b.arg(lo) + " AND (" + value.hi + " > " + b.arg(hi) + " OR " + b.inside(value, lo, hi) + "))"
	case search.PrefixLessEqual:
		return "(" + value.lo + " <= " + b.arg(hi) + " AND (" + value.lo + " < " + b.arg(lo) + " OR " + b.inside(value, lo, hi) + "))"
	case search.PrefixStartsAfter:
		return value.lo + " > " + b.arg(hi)
	case search.PrefixEndsBefore:
		return value.hi + " < " + b.arg(lo)
	case search.PrefixApproximate:
		return "(" + value.hi + " >= " + b.arg(lo) + " AND " + value.lo + " <= " + b.arg(hi) + ")"
	case search.PrefixEqual:
	}
	return b.inside(value, lo, hi)
}

// inside is true when the range asked for holds the whole range of the value.
func (b *builder) inside(value columns, lo, hi any) string {
	return "(" + value.lo + " >= " + b.arg(lo) + " AND " + value.hi + " <= " + b.arg(hi) + ")"
}

func nanoseconds(t search.Term) (lo, hi any) { return t.Lo, t.Hi }

// instants rounds a range inwards to the microseconds that the resource table keeps.
func (b *builder) instants(t search.Term) (lo, hi any) {
	first, last := floor(t.Lo), floor(t.Hi)
	if first*1000 != t.Lo {
		first++
	}
	return b.dialect.Instant(first), b.dialect.Instant(last)
}

// floor gives whole microseconds, rounded towards the past.
func floor(nanos int64) int64 {
	micros := nanos / 1000
	if nanos%1000 < 0 {
		micros--
	}
	return micros
}
