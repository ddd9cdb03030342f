package rest

import (
	"cmp"
	"context"
	"maps"
	"slices"
	"strings"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/rest/smart"
	"fhirsvc/internal/store"
)

// inclusion collects what belongs to a page, each version once.
type inclusion struct {
	fenced
	scopes  smart.Scopes
	current map[string]bool // Type/id of which the current version is there
	there   map[string]bool // Type/id/_history/n
	found   []store.Resource
	fresh   []store.Resource // of the round
}

// include gives what the includes add to the matches of a page: what the client's units
// may see, each version once and no match again, in order of type and id. What can't be
// found is left out (R4 search.html#include). Versions that references name need the scope
// to read.
func (f fenced) include(
	ctx context.Context, matches []store.Resource, includes []search.Include, scopes smart.Scopes,
) ([]store.Resource, error) {
	if len(includes) == 0 {
		return nil, nil
	}
	n := inclusion{fenced: f, scopes: scopes, current: map[string]bool{}, there: map[string]bool{}}
	for _, r := range matches {
		n.put(r, true)
	}
	n.found, n.fresh = nil, nil
	for at := matches; len(at) > 0 && len(includes) > 0; at = n.fresh {
		n.fresh = nil
		if err := n.round(ctx, at, includes); err != nil {
			return nil, err
		}
		includes = slices.DeleteFunc(slices.Clone(includes), func(i search.Include) bool { return !i.Iterate })
	}
	slices.SortFunc(n.found, func(a, b store.Resource) int {
		return cmp.Or(cmp.Compare(a.Type, b.Type), cmp.Compare(a.ID, b.ID), cmp.Compare(b.Version, a.Version))
	})
	return n.found, nil
}

// put takes in a resource that is not there yet.
func (n *inclusion) put(r store.Resource, current bool) {
	if current {
		n.current[r.Type+"/"+r.ID] = true
	}
	if at := location(&r); !n.there[at] {
		n.there[at] = true
		n.found, n.fresh = append(n.found, r), append(n.fresh, r)
	}
}

// round adds what belongs to these resources directly.
func (n *inclusion) round(ctx context.Context, at []store.Resource, includes []search.Include) error {
	w := wanted{ids: map[string][]string{}, canonicals: map[string][]search.Link{}}
	for _, r := range at {
		w.links(r, includes)
	}
	if err := n.byID(ctx, w.ids); err != nil {
		return err
	}
	if err := n.byVersion(ctx, w.versions); err != nil {
		return err
	}
	if err := n.byURL(ctx, w.canonicals); err != nil {
		return err
	}
	for _, i := range includes {
		if i.Reverse {
			if err := n.referring(ctx, at, i); err != nil {
				return err
			}
		}
	}
	return nil
}

// wanted is what the links of a round lead to.
type wanted struct {
	ids        map[string][]string // by type
	versions   []search.Link
	canonicals map[string][]search.Link // by type
}

// links adds what a resource refers to under the includes of its type.
func (w *wanted) links(r store.Resource, includes []search.Include) {
	targets := map[string][]string{} // by parameter
	for _, i := range includes {
		if !i.Reverse && i.Source == r.Type {
			targets[i.Param] = append(targets[i.Param], i.Targets...)
		}
	}
	for _, l := range search.Links(r.Type, r.Body, slices.Sorted(maps.Keys(targets))...) {
		switch {
		case l.URL != "":
			for _, t := range targets[l.Param] {
				w.canonicals[t] = append(w.canonicals[t], l)
			}
		case !slices.Contains(targets[l.Param], l.Type):
		case l.Version > 0:
			w.versions = append(w.versions, l)
		default:
			w.ids[l.Type] = append(w.ids[l.Type], l.ID)
		}
	}
}

func (n *inclusion) byID(ctx context.Context, ids map[string][]string) error {
	for _, t := range slices.Sorted(maps.Keys(ids)) {
		var terms []search.Term
		for _, id := range distinctTexts(ids[t]) {
			if !n.current[t+"/"+id] {
				terms = append(terms, search.Term{Code: id})
			}
		}
		page, err := n.all(ctx, t, search.Condition{Param: "_id", Kind: search.Token, Any: terms})
		if err != nil {
			return err
		}
		for _, r := range page {
			n.put(r, true)
		}
	}
	return nil
}

// byVersion adds the very versions that are referred to: R4 search.html#versions.
func (n *inclusion) byVersion(ctx context.Context, links []search.Link) error {
	for _, l := range links {
		at := location(&store.Resource{Type: l.Type, ID: l.ID, Version: l.Version})
		if n.there[at] || !n.scopes.Allows(l.Type, smart.Read) {
			continue
		}
		if len(n.found) >= maximumIncluded {
			return tooMuchIncluded()
		}
		r, err := n.version(ctx, l.Type, l.ID, l.Version)
		switch {
		case err == nil:
			n.put(r, false)
		case outcome.KindOf(err) != outcome.CodeNotFound:
			return err
		}
	}
	return nil
}

// byURL adds what canonicals lead to; one without a version leads to all versions.
func (n *inclusion) byURL(ctx context.Context, links map[string][]search.Link) error {
	for _, t := range slices.Sorted(maps.Keys(links)) {
		urls := make([]string, 0, len(links[t]))
		for _, l := range links[t] {
			urls = append(urls, l.URL)
		}
		var terms []search.Term
		for _, url := range distinctTexts(urls) {
			terms = append(terms, search.Term{Code: url})
		}
		page, err := n.all(ctx, t, search.Condition{Param: "url", Kind: search.URI, Any: terms})
		if err != nil {
			return err
		}
		for _, r := range page {
			if slices.ContainsFunc(links[t], r4Canonical(r).is) {
				n.put(r, true)
			}
		}
	}
	return nil
}

// referring adds what refers to these resources.
func (n *inclusion) referring(ctx context.Context, at []store.Resource, i search.Include) error {
	byType := map[string][]search.Term{}
	known := map[canonical]bool{}
	for _, r := range at {
		if !slices.Contains(i.Targets, r.Type) {
			continue
		}
		byType[r.Type] = append(byType[r.Type], search.Term{System: r.Type, Code: r.ID})
		if c := r4Canonical(r); c.url != "" {
			known[c] = true
			byType[""] = append(byType[""], search.Term{Code: c.url})
		}
	}
	for _, t := range slices.Sorted(maps.Keys(byType)) {
		page, err := n.all(ctx, i.Source, search.Condition{Param: i.Param, Kind: search.Reference, Any: byType[t]})
		if err != nil {
			return err
		}
		for _, r := range page {
			if t != "" || refersToOne(r, i.Param, known) {
				n.put(r, true)
			}
		}
	}
	return nil
}

// all gives all that a condition finds, as far as the page has room for it.
func (n *inclusion) all(ctx context.Context, resourceType string, c search.Condition) ([]store.Resource, error) {
	if len(c.Any) == 0 {
		return nil, nil
	}
	if len(c.Any) > maximumIncluded {
		return nil, tooMuchIncluded()
	}
	page, err := n.search(ctx, search.Query{Type: resourceType, All: []search.Condition{c}, Count: maximumIncluded})
	if err != nil {
		return nil, err
	}
	if page.Total > maximumIncluded-len(n.found) {
		return nil, tooMuchIncluded()
	}
	return page.Matches, nil
}

func tooMuchIncluded() error {
	return outcome.Fail(outcome.CodeTooCostly, "include",
		"the page would include more than %d resources: ask for fewer matches with _count, or for less", maximumIncluded)
}

// canonical is what a published resource is known by.
type canonical struct{ url, version string }

func r4Canonical(r store.Resource) canonical {
	url, version := search.Canonical(r.Body)
	return canonical{url, version}
}

// is reports whether a link leads to it.
func (c canonical) is(l search.Link) bool {
	return l.URL == c.url && (l.BusinessVersion == "" || l.BusinessVersion == c.version)
}

func refersToOne(r store.Resource, param string, known map[canonical]bool) bool {
	return slices.ContainsFunc(search.Links(r.Type, r.Body, param), func(l search.Link) bool {
		for c := range known {
			if c.is(l) {
				return true
			}
		}
		return false
	})
}

// distinctTexts gives each text once, in order.
func distinctTexts(texts []string) []string {
	out := slices.Clone(texts)
	slices.SortFunc(out, strings.Compare)
	return slices.Compact(out)
}
