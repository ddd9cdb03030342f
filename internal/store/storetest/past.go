package storetest

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/store"
)

func pastTests() []contractTest {
	return []contractTest{
		{"past/newest first, since, and what units see", pastTable},
		{"past/pages equal a filter in memory", pastEqualsFilter},
	}
}

func mustPast(t require.TestingT, st store.Store, p store.Past) store.PastPage {
	page, err := st.Past(context.Background(), p)
	require.NoError(t, err)
	return page
}

// walkPast follows Next to the end.
func walkPast(t require.TestingT, st store.Store, p store.Past) []string {
	out := []string{}
	for {
		page := mustPast(t, st, p)
		require.LessOrEqual(t, len(page.Versions), p.Count)
		out = append(out, numbered(page.Versions)...)
		if p.After = page.Next; p.After == nil {
			return out
		}
		require.Len(t, page.Versions, p.Count, "a page with a next one is full")
	}
}

func pastTable(t *testing.T, st store.Store) {
	put := func(id string, n int64, unit string, minute int) {
		r := version("Task", id, n)
		r.Unit, r.Updated = unit, at(minute)
		mustCommit(t, st, store.Changeset{Resources: []store.Resource{r}})
	}
	put("a", 1, "ward-3", 1)
	put("b", 1, "ward-4", 2)
	put("a", 2, "ward-3", 3)
	put("b", 2, "ward-3", 4)
	put("c", 1, "", 4)
	put("a", 3, "ward-3", 2) // by a clock that is behind
	mustCommit(t, st, store.Changeset{Resources: []store.Resource{version("Observation", "a", 1)}})
	tests := []struct {
		name string
		past store.Past
		want []string
	}{
		{"all", store.Past{}, []string{"c/1", "b/2", "a/2", "b/1", "a/3", "a/1"}},
		{"since an instant, itself included", store.Past{Since: at(3)}, []string{"c/1", "b/2", "a/2"}},
		{"since a microsecond later", store.Past{Since: at(3).Add(time.Microsecond)}, []string{"c/1", "b/2"}},
		{"of one, by number", store.Past{ID: "a"}, []string{"a/3", "a/2", "a/1"}},
		{"of one, since", store.Past{ID: "a", Since: at(2)}, []string{"a/3", "a/2"}},
		{"of none", store.Past{ID: "z"}, []string{}},
		{"of a unit", store.Past{Units: []string{"ward-3"}}, []string{"b/2", "a/2", "a/3", "a/1"}},
		{"of both units", store.Past{Units: []string{"ward-3", "ward-4"}}, []string{"b/2", "a/2", "b/1", "a/3", "a/1"}},
		{"of a unit that it was in", store.Past{Units: []string{"ward-4"}}, []string{}},
		{"of no unit", store.Past{Units: []string{}}, []string{}},
		{"of a unit and of none", store.Past{Units: []string{"ward-4"}, Shared: search.Shared{Open: true}}, []string{"c/1"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			for _, count := range []int{1, 2, 9} {
				tt.past.Type, tt.past.Count = "Task", count
				require.Equal(t, tt.want, walkPast(t, st, tt.past))
			}
		})
	}
	whole := mustPast(t, st, store.Past{Type: "Observation", Count: 1}).Versions
	require.Equal(t, []store.Resource{stored(version("Observation", "a", 1))}, whole)
}

// pastEqualsFilter checks that versions, read page by page, are those of a filter.
func pastEqualsFilter(t *testing.T, st store.Store) {
	run := 0
	rapid.Check(t, func(rt *rapid.T) {
		run++
		resourceType := fmt.Sprintf("Type%d", run)
		var all []store.Resource
		for i := range rapid.IntRange(1, 4).Draw(rt, "resources") {
			for n := range rapid.IntRange(1, 4).Draw(rt, "versions") {
				all = append(all, store.Resource{
					Type: resourceType, ID: fmt.Sprint("r", i), Version: int64(n + 1), Body: []byte("{}"),
					Updated: time.UnixMicro(rapid.Int64Range(-2, 2).Draw(rt, "updated")).UTC(),
					Unit:    rapid.SampledFrom([]string{"", "u", "v"}).Draw(rt, "unit"),
				})
			}
		}
		mustCommit(rt, st, store.Changeset{Resources: all})
		p := store.Past{Type: resourceType, Count: rapid.IntRange(1, 5).Draw(rt, "count")}
		p.ID = rapid.SampledFrom([]string{"", "r0", "r1"}).Draw(rt, "id")
		if rapid.Bool().Draw(rt, "since") {
			p.Since = time.UnixMicro(rapid.Int64Range(-2, 3).Draw(rt, "instant"))
		}
		p.Units, p.Shared = limits(rt, []string{resourceType})
		require.Equal(rt, numbered(filterPast(all, nil, p)), walkPast(rt, st, p))
	})
}

// numbered names versions, in their order.
func numbered(versions []store.Resource) []string {
	out := []string{}
	for _, r := range versions {
		out = append(out, fmt.Sprintf("%s/%d", r.ID, r.Version))
	}
	return out
}

// filterPast is the dumb answer to a Past: it looks at all versions of a type, in the order
// in which they came. Current are all resources that may share what belongs to no unit.
func filterPast(all []store.Resource, current inMemory, p store.Past) []store.Resource {
	units := map[string]string{} // that a resource has now
	for _, r := range all {
		units[r.ID] = r.Unit
	}
	var found []store.Resource
	for _, r := range all {
		now := r
		now.Unit = units[r.ID]
		seen := p.Units == nil || current.inUnits(now, p.Units, p.Shared) && (r.Unit == now.Unit || slices.Contains(p.Units, r.Unit))
		if seen && (p.ID == "" || r.ID == p.ID) && !r.Updated.Before(p.Since) {
			found = append(found, r)
		}
	}
	slices.SortFunc(found, func(a, b store.Resource) int { return comparePast(a, b, p) })
	return found
}

func comparePast(a, b store.Resource, p store.Past) int {
	if p.ID != "" {
		return cmp.Compare(b.Version, a.Version)
	}
	return cmp.Or(b.Updated.Compare(a.Updated), cmp.Compare(b.ID, a.ID), cmp.Compare(b.Version, a.Version))
}
