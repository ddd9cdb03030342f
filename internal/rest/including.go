package rest

import (
	"slices"

	"fhirsvc/internal/episode"
	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/rest/smart"
	"fhirsvc/internal/store"
)

// maximumIncluded bounds what a page includes beside its matches.
const maximumIncluded = 1000

// mayReach holds a search to the scopes as far as it is about other types than its own.
// What a chain asks and what an include gives, the client could search for itself, so each
// type needs what a search of it needs. A type that the client named is refused; of an
// include of a reference to several types those that it may not search are left out, and
// the issues say so.
func mayReach(k smart.Caller, a *asked) ([]outcome.Issue, error) {
	for _, t := range a.query.Joined() {
		if err := permit(k, t, smart.Search); err != nil {
			return nil, err
		}
	}
	var left []outcome.Issue
	var kept []search.Include
	for _, i := range a.includes {
		if i.Reverse || i.Named {
			added := i.Source
			if !i.Reverse {
				added = i.Targets[0]
			}
			if err := permit(k, added, smart.Search); err != nil {
				return nil, err
			}
			kept = append(kept, i)
			continue
		}
		mine := slices.DeleteFunc(slices.Clone(i.Targets), func(t string) bool { return !k.Scopes.Allows(t, smart.Search) })
		if len(mine) == 0 {
			return nil, permit(k, i.Targets[0], smart.Search)
		}
		if len(mine) < len(i.Targets) {
			left = append(left, outcome.Warnf(outcome.CodeForbidden, "",
				"of %s, the types that the scopes do not let you search are left out", i))
		}
		i.Targets = mine
		kept = append(kept, i)
	}
	a.includes = kept
	return left, nil
}

// tellIncluded adds to the record of a search what it gave beside its matches.
func tellIncluded(a *fhir.Access, included []store.Resource) {
	for _, r := range included {
		a.Included = append(a.Included, location(&r))
		for _, patient := range episode.Patients(r) {
			if !slices.Contains(a.Patient, patient) {
				a.Patient = append(a.Patient, patient)
			}
		}
	}
}
