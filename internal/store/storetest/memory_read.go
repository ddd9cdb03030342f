package storetest

import (
	"cmp"
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
	if all := m.resources[pair{resourceType, id}]; version >= 1 && version <= int64(len(all)) {
		return stored(all[version-1]), nil
	}
	return store.Resource{}, missing("read version", fmt.Sprintf("%s/%s/_history/%d", resourceType, id, version))
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

// Search looks at every current version, one after the other.
func (m *Memory) Search(_ context.Context, q search.Query) (store.Page, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	var current []store.Resource
	for _, all := range m.resources {
		current = append(current, all[len(all)-1])
	}
	shown := slices.DeleteFunc(slices.Clone(current), func(r store.Resource) bool { return !sees(q, r, current) })
	unlimited := q
	unlimited.Units = nil
	found := filter(shown, unlimited)
	page := store.Page{Total: len(found)}
	from, to := 0, len(found)
	switch {
	case q.After != nil:
		_, from = around(found, q.Sort, *q.After)
		to = min(from+q.Count, len(found))
	case q.Before != nil:
		to, _ = around(found, q.Sort, *q.Before)
		from = max(0, to-q.Count)
	default:
		to = min(q.Count, len(found))
	}
	for _, r := range found[from:to] {
		page.Matches = append(page.Matches, stored(r))
	}
	if len(page.Matches) > 0 {
		if to < len(found) {
			page.Next = place(found[to-1], q.Sort)
		}
		if from > 0 {
			page.Previous = place(found[from], q.Sort)
		}
	}
	return page, nil
}

// sees reports whether a query limited to units gives the resource at all.
func sees(q search.Query, r store.Resource, current []store.Resource) bool {
	switch {
	case q.Units == nil || slices.Contains(q.Units, r.Unit):
		return true
	case r.Unit != "" || q.Open:
		return r.Unit == ""
	}
	return q.By != "" && slices.ContainsFunc(current, func(by store.Resource) bool {
		return by.Type == q.By && slices.Contains(q.Units, by.Unit) && slices.ContainsFunc(by.Index, func(v search.Value) bool {
			return v.Param == q.Param && v.Kind == search.Reference && v.System == r.Type && v.Code == r.ID
		})
	})
}

func place(r store.Resource, s search.Sort) *search.Cursor {
	key, _ := sortKey(r, s)
	return &search.Cursor{Key: key, ID: r.ID}
}

// around gives how many matches come before a place, and where those after it begin. A
// match that is no longer there is looked for by its key.
func around(found []store.Resource, s search.Sort, c search.Cursor) (before, after int) {
	if i := slices.IndexFunc(found, func(r store.Resource) bool { return r.ID == c.ID }); i >= 0 {
		return i, i + 1
	}
	i := slices.IndexFunc(found, func(r store.Resource) bool {
		key, _ := sortKey(r, s)
		order := cmp.Compare(key, c.Key)
		if s.Descending {
			order = -order
		}
		return cmp.Or(order, cmp.Compare(r.ID, c.ID)) > 0
	})
	if i < 0 {
		i = len(found)
	}
	return i, i
}
