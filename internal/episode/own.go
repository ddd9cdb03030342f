package episode

import (
	"slices"
	"strings"

	"fhirsvc/internal/fhir/search"
)

// systemOwn is the system of what belongs to a client and to no unit: its Subscriptions,
// and what is kept about them.
const systemOwn = "urn:fhirsvc:client|"

// own stands for the client, or the user that it acts for, where a unit would stand.
func (c Client) own() string {
	if c.User != "" {
		return systemOwn + c.ID + " " + c.User
	}
	return systemOwn + c.ID
}

// Sees are the units whose records of a type the client may see and change. Subscriptions
// are their owner's alone, even before a client of all units.
func (c Client) Sees(resourceType string) Units {
	switch {
	case resourceType == "Subscription":
		return UnitsOf(c.own())
	case c.Units.all:
		return c.Units
	}
	return UnitsOf(append(slices.Clone(c.Units.tokens), c.own())...)
}

// Limit narrows a query to what the client sees of its type, and what it asks of other
// resources to what the client sees of theirs.
func (c Client) Limit(q search.Query) search.Query { return limited(q, c.Sees) }

// placeOf is the unit as the audit trail names it: what is a client's own is in none.
func placeOf(unit string) string {
	if strings.HasPrefix(unit, systemOwn) {
		return ""
	}
	return unit
}
