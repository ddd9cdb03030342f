package episode

import (
	"context"
	"slices"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/store"
)

// Units are the units whose records a client may see and change, each as the identifier
// token (system|value) that its events name. The zero value is none.
type Units struct {
	all    bool
	tokens []string
}

// AllUnits is every unit, and what belongs to none.
func AllUnits() Units { return Units{all: true} }

// UnitsOf are these units. An event that names no unit belongs to none of them.
func UnitsOf(tokens ...string) Units {
	return Units{tokens: slices.DeleteFunc(slices.Clone(tokens), func(t string) bool { return t == "" || t == "|" })}
}

// Has reports whether the records of a unit may be seen and changed.
func (u Units) Has(unit string) bool { return u.all || unit != "" && slices.Contains(u.tokens, unit) }

// All reports whether these are all units.
func (u Units) All() bool { return u.all }

// Home is the unit of what a client enters that has no place yet: its first one, "" for
// a client of all units.
func (u Units) Home() string {
	if u.all || len(u.tokens) == 0 {
		return ""
	}
	return u.tokens[0]
}

// Limit narrows a query, and what it asks of other resources, to what may be seen. Patients
// and encounters belong to no unit: they are seen by the units that have a procedure of
// theirs. Practitioners, and what is published, are seen by all.
func (u Units) Limit(q search.Query) search.Query {
	return limited(q, func(string) Units { return u })
}

// limited narrows a query and its joins to the units that are seen of each type.
func limited(q search.Query, sees func(resourceType string) Units) search.Query {
	q.All = limitedJoins(q.All, sees)
	if u := sees(q.Type); !u.all {
		q.Units, q.Shared = append([]string{}, u.tokens...), shared(q.Type)
	}
	return q
}

// limitedJoins gives the conditions with their joins within the units.
func limitedJoins(all []search.Condition, sees func(resourceType string) Units) []search.Condition {
	out := slices.Clone(all)
	for i := range out {
		c := &out[i]
		if c.Join != nil {
			j := *c.Join
			other := limited(search.Query{Type: j.Type, All: j.All}, sees)
			j.Units, j.Shared, j.All = other.Units, other.Shared, other.All
			c.Join = &j
		}
		lists := slices.Clone(c.Either)
		for k := range lists {
			lists[k] = limitedJoins(lists[k], sees)
		}
		c.Either = lists
	}
	return out
}

// shared says what of a type is seen though it belongs to no unit.
func shared(resourceType string) search.Shared {
	switch resourceType {
	case "Patient":
		return search.Shared{By: "Procedure", Param: "subject"}
	case "Encounter":
		return search.Shared{By: "Procedure", Param: "encounter"}
	case "Practitioner", "PlanDefinition", "CodeSystem", "SearchParameter", "Questionnaire":
		return search.Shared{Open: true}
	}
	return search.Shared{}
}

// Searcher finds resources.
type Searcher interface {
	Search(ctx context.Context, q search.Query) (store.Page, error)
}

// See reports whether a resource version may be seen. Its errors are the store's.
func (u Units) See(ctx context.Context, s Searcher, r store.Resource) (bool, error) {
	if u.Has(r.Unit) {
		return true, nil
	}
	q := u.Limit(search.Query{Type: r.Type, Count: 1, All: []search.Condition{
		{Param: "_id", Kind: search.Token, Any: []search.Term{{Code: r.ID}}},
	}})
	if r.Unit != "" || q.Shared == (search.Shared{}) {
		return false, nil
	}
	page, err := s.Search(ctx, q)
	return page.Total > 0, err
}

// see reads a resource that a client may see; not-found for any other, as if it were not
// there.
func (s *Service) see(ctx context.Context, u Units, resourceType, id string) (store.Resource, error) {
	r, err := s.Store.Read(ctx, resourceType, id)
	if err != nil {
		return r, err
	}
	ok, err := u.See(ctx, s.Store, r)
	if err == nil && !ok {
		err = NotHere(resourceType, id)
	}
	return r, err
}

// seePlan gives an episode by its plan, and the version of the plan, as far as a client of
// these units may see it.
func (s *Service) seePlan(ctx context.Context, u Units, id string) (*loaded, store.Resource, error) {
	r, err := s.see(ctx, u, "CarePlan", id)
	if err != nil {
		return nil, r, err
	}
	l, err := s.load(ctx, r.Episode)
	return l, r, err
}

// OpHidden is the operation of the error for what is another unit's, so that the log and
// the audit trail can tell it from what is not there. Clients are never told operations.
const OpHidden = "another unit's"

// NotHere is what the store says of what it does not have.
func NotHere(resourceType, id string) error {
	return outcome.Fail(outcome.CodeNotFound, OpHidden, "there is no %s/%s", resourceType, id)
}
