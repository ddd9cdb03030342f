package storetest

import (
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/store"
)

func pagingTests() []contractTest {
	return []contractTest{
		{"paging/pages make up the whole", pagesMakeUpWhole},
		{"paging/rows put in meanwhile", rowsPutInMeanwhile},
		{"paging/while others write", pagesWhileOthersWrite},
	}
}

// walk follows Next to the end and gives all matches and the number of pages.
func walk(t require.TestingT, st store.Store, q search.Query) ([]store.Resource, int) {
	var all []store.Resource
	for pages := 1; ; pages++ {
		page := mustSearch(t, st, q)
		require.LessOrEqual(t, len(page.Matches), q.Count)
		all = append(all, page.Matches...)
		require.LessOrEqual(t, pages, max(page.Total, 1), "a cursor that stands still")
		if page.Next == nil {
			return all, pages
		}
		require.Len(t, page.Matches, q.Count, "a page with a next one is full")
		q.After = page.Next
	}
}

// walkBack follows Previous from a place to the start and gives all matches, in order.
func walkBack(t require.TestingT, st store.Store, q search.Query) []store.Resource {
	var all []store.Resource
	for pages := 0; q.Before != nil; pages++ {
		page := mustSearch(t, st, q)
		require.LessOrEqual(t, pages, page.Total, "a cursor that stands still")
		require.NotNil(t, page.Next, "there is a way back")
		all = append(page.Matches, all...)
		if page.Previous != nil {
			require.Len(t, page.Matches, q.Count, "a page with one before it is full")
		}
		q.Before = page.Previous
	}
	return all
}

func reversed(s search.Sort) search.Sort {
	s.Descending = !s.Descending
	return s
}

// pagesMakeUpWhole has equal keys on purpose: 60 resources on 4 keys and some without.
func pagesMakeUpWhole(t *testing.T, st store.Store) {
	var rs []store.Resource
	for i := range 60 {
		r := version("Task", fmt.Sprintf("t%02d", i*37%60), 1)
		if i%5 != 0 {
			r.Index = []search.Value{date("when", int64(i%4), int64(i%4)), token("status", "", "ready")}
		}
		r.Updated = at(i % 3)
		rs = append(rs, r)
	}
	mustCommit(t, st, store.Changeset{Resources: rs})
	when, updated := search.Sort{Param: "when", Kind: search.Date}, search.Sort{Param: "_lastUpdated", Kind: search.Date}
	status := search.Sort{Param: "status", Kind: search.Token}
	counts := []int{1, 7, 20, 59, 60}
	if testing.Short() {
		counts = []int{7, 60}
	}
	for _, sort := range [][]search.Sort{{when}, {reversed(when)}, {updated}, {reversed(updated)}, nil, {reversed(status), updated, reversed(when)}, {{Param: "_id", Kind: search.Token, Descending: true}}} {
		whole := mustSearch(t, st, search.Query{Type: "Task", Sort: sort, Count: math.MaxInt32})
		require.Len(t, whole.Matches, 60)
		require.Nil(t, whole.Next)
		for _, count := range counts {
			got, pages := walk(t, st, search.Query{Type: "Task", Sort: sort, Count: count})
			require.Equal(t, ids(whole.Matches), ids(got), "%v by %d", sort, count)
			require.Equal(t, (60+count-1)/count, pages)
			for _, at := range []int{1, 30, 59} {
				first := mustSearch(t, st, search.Query{Type: "Task", Sort: sort, Count: at})
				require.Nil(t, first.Previous)
				after := mustSearch(t, st, search.Query{Type: "Task", Sort: sort, Count: count, After: first.Next})
				before := walkBack(t, st, search.Query{Type: "Task", Sort: sort, Count: count, Before: after.Previous})
				require.Equal(t, ids(first.Matches), ids(before), "%v by %d before %d", sort, count, at)
			}
		}
	}
}

// rowsPutInMeanwhile puts rows before and after the cursor between two pages: what was
// there from the start is seen exactly once.
func rowsPutInMeanwhile(t *testing.T, st store.Store) {
	put := func(prefix string, n int) {
		var rs []store.Resource
		for i := range n {
			rs = append(rs, version("Task", fmt.Sprintf("%s%02d", prefix, i), 1, date("when", int64(i%3), int64(i%3))))
		}
		mustCommit(t, st, store.Changeset{Resources: rs})
	}
	put("m", 30)
	q := search.Query{Type: "Task", Sort: []search.Sort{{Param: "when", Kind: search.Date}}, Count: 4}
	seen := map[string]int{}
	for round := 0; ; round++ {
		page := mustSearch(t, st, q)
		for _, r := range page.Matches {
			seen[r.ID]++
		}
		if page.Next == nil {
			break
		}
		if round < 5 {
			put(fmt.Sprintf("a%d-", round), 2)
			put(fmt.Sprintf("z%d-", round), 2)
		}
		q.After = page.Next
	}
	for i := range 30 {
		require.Equal(t, 1, seen[fmt.Sprintf("m%02d", i)])
	}
	for id, n := range seen {
		require.Equal(t, 1, n, id)
	}
}
