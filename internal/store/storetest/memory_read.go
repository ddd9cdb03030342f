package storetest

import (
	"context"
	"fmt"
	"slices"

	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/store"
)

// Read gives the current version.
func (m *Memory) Read(_ context.Context, resourceType, id string) (store.Resource, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if all := m.resources[pair{resourceType, id}]; len(all) > 0 {
		return stored(all[len(all)-1]), nil
	}
	return store.Resource{}, missing("read", resourceType+"/"+id)
}

// ReadVersion gives one version.
func (m *Memory) ReadVersion(_ context.Context, resourceType, id string, version int64) (store.Resource, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, r := range m.resources[pair{resourceType, id}] {
		if r.Version == version {
			return stored(r), nil
		}
	}
	return store.Resource{}, missing("vread", fmt.Sprintf("%s/%s version %d", resourceType, id, version))
}

// History gives all versions, newest first.
func (m *Memory) History(_ context.Context, resourceType, id string) ([]store.Resource, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	all := m.resources[pair{resourceType, id}]
	if len(all) == 0 {
		return nil, missing("history", resourceType+"/"+id)
	}
	var versions []store.Resource
	for _, r := range slices.Backward(all) {
		versions = append(versions, stored(r))
	}
	return versions, nil
}

// Identity gives the holder of a business identifier.
func (m *Memory) Identity(_ context.Context, resourceType, system, value string) (string, bool, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	id, ok := m.model.identities[business{resourceType, system, value}]
	return id, ok, nil
}

// Tagged goes from record to record of the person until it finds no more.
func (m *Memory) Tagged(_ context.Context, patient string, t store.Tag) (bool, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	is := func(r store.Resource, param, system, code string) bool {
		return slices.ContainsFunc(r.Index, func(v search.Value) bool { return v.Param == param && v.System == system && v.Code == code })
	}
	person, all := []string{patient}, m.current()
	for i := 0; i < len(person); i++ {
		for _, r := range all {
			linked := is(r, "link", "Patient", person[i]) ||
				slices.ContainsFunc(all, func(p store.Resource) bool {
					return p.Type == "Patient" && p.ID == person[i] && is(p, "link", "Patient", r.ID)
				})
			if r.Type == "Patient" && linked && !slices.Contains(person, r.ID) {
				person = append(person, r.ID)
			}
		}
	}
	return slices.ContainsFunc(all, func(r store.Resource) bool {
		about := slices.ContainsFunc(person, func(id string) bool { return is(r, "subject", "Patient", id) })
		return about && slices.Contains(t.Types, r.Type) && is(r, "_tag", t.System, t.Code)
	}), nil
}

// current gives the current version of every resource.
func (m *Memory) current() inMemory {
	all := make(inMemory, 0, len(m.resources))
	for _, versions := range m.resources {
		all = append(all, versions[len(versions)-1])
	}
	return all
}

// Past looks at every version of the type, one after the other.
func (m *Memory) Past(_ context.Context, p store.Past) (store.PastPage, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	var all []store.Resource
	for key, versions := range m.resources {
		if key[0] == p.Type {
			all = append(all, versions...)
		}
	}
	found := filterPast(all, m.current(), p)
	if p.After != nil {
		place := store.Resource{Updated: p.After.Updated, ID: p.After.ID, Version: p.After.Version}
		found = slices.DeleteFunc(found, func(r store.Resource) bool { return comparePast(r, place, p) <= 0 })
	}
	var page store.PastPage
	for _, r := range found[:min(p.Count, len(found))] {
		page.Versions = append(page.Versions, stored(r))
	}
	if len(found) > p.Count {
		last := found[p.Count-1]
		page.Next = &store.Place{Updated: last.Updated, ID: last.ID, Version: last.Version}
	}
	return page, nil
}

// Search looks at every current version, one after the other.
func (m *Memory) Search(_ context.Context, q search.Query) (store.Page, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	found := filter(m.current(), q)
	from, to := 0, min(q.Count, len(found))
	switch {
	case q.After != nil:
		_, from = around(found, q.Sort, *q.After)
		to = min(from+q.Count, len(found))
	case q.Before != nil:
		to, _ = around(found, q.Sort, *q.Before)
		from = max(0, to-q.Count)
	}
	page := store.Page{Total: len(found)}
	if q.NoTotal {
		page.Total = -1
	}
	for _, r := range found[from:to] {
		page.Matches = append(page.Matches, stored(r))
	}
	if len(page.Matches) > 0 && to < len(found) {
		next := placeOf(found[to-1], q.Sort)
		page.Next = &next
	}
	if len(page.Matches) > 0 && from > 0 {
		previous := placeOf(found[from], q.Sort)
		page.Previous = &previous
	}
	return page, nil
}

// around gives how many matches come before a place, and where those after it begin.
func around(found []store.Resource, sorts []search.Sort, c search.Cursor) (before, after int) {
	for i, r := range found {
		switch order := comparePlaces(placeOf(r, sorts), c, sorts); {
		case order < 0:
			before, after = i+1, i+1
		case order == 0:
			after = i + 1
		}
	}
	return before, after
}

// Gather gives what is stored of what an input is about.
func (m *Memory) Gather(ctx context.Context, w store.Wanted) (store.Gathered, error) {
	return store.GatherSingly(ctx, m, w)
}
