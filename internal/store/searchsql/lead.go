package searchsql

import (
	"fmt"
	"slices"

	"fhirsvc/internal/fhir/search"
)

// Of several conditions a database chooses the one by which it finds the matches, and how it tries
// the others on them, by what it has counted of each column. Here the columns hang together, so that
// it takes the values of a parameter for a seventieth of what they are, and would rather read half
// a million due dates for each Task of a ward than the dozen values of that Task. So where one of
// the conditions is known to leave few resources, it leads, and the others are tried on the values
// of each.

// ofOne are the parameters whose value few resources share: what belongs to one patient, or to one
// resource of theirs.
var ofOne = []string{"patient", "subject", "encounter", "based-on", "part-of", "focus", "target"}

// leads gives the condition that leaves the fewest resources; nil if none is known to.
func (b *builder) leads(all []search.Condition) *search.Condition {
	var first *search.Condition
	best := 0
	for i := range all {
		if few := b.few(all[i]); few > best {
			first, best = &all[i], few
		}
	}
	return first
}

// few ranks what a condition leaves: 0 for what may be many.
func (b *builder) few(c search.Condition) int {
	plain := c.Join == nil && c.Either == nil && c.Missing == nil && !c.Not && c.Match == search.Plain && len(c.Any) > 0 &&
		!slices.ContainsFunc(c.Any, func(t search.Term) bool { return t.Code == "" })
	switch {
	case !plain:
		return 0
	case c.Param == "_id":
		return 4
	case c.Param == "identifier" && c.Kind == search.Token:
		return 3
	case c.Kind == search.Reference && slices.Contains(ofOne, c.Param):
		return 2
	case b.ofUnits(c):
		return 1
	}
	return 0
}

// follows reports whether a condition is tried on the values of what another one has left.
func (b *builder) follows(c *search.Condition) bool { return b.leader != nil && b.leader != c }

// valuesOf has the index values of one resource as v. They are looked up by its id, whatever the
// database thinks of its other indexes.
func valuesOf(r string) string {
	return fmt.Sprintf("WITH v AS MATERIALIZED (SELECT * FROM search_index o WHERE o.type = %[1]s.type AND o.id = %[1]s.id)", r)
}
