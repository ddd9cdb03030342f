package storetest

import (
	"context"
	"fmt"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/store"
)

// pagesWhileOthersWrite has three writers at work while a reader pages: one puts new
// resources in, one writes new versions of what keeps its sort keys, and one moves others to
// other places in the order. What kept its keys is seen exactly once, in order; what came
// meanwhile at most once; what moved is bound by nothing.
func pagesWhileOthersWrite(t *testing.T, st store.Store) {
	run, most := 0, 12 // each takes a while, and another order of events
	if testing.Short() {
		most = 3
	}
	rapid.Check(t, func(rt *rapid.T) {
		if run++; run > most {
			return
		}
		resourceType := fmt.Sprint("Paged", run)
		keys := rapid.SliceOfN(rapid.IntRange(0, 3), 24, 24).Draw(rt, "keys")
		sorts := rapid.SampledFrom([][]search.Sort{
			nil,
			{{Param: "when", Kind: search.Date}},
			{{Param: "when", Kind: search.Date, Descending: true}, {Param: "status", Kind: search.Token}},
			{{Param: "status", Kind: search.Token, Descending: true}, {Param: "_id", Kind: search.Token, Descending: true}},
		}).Draw(rt, "sort")
		q := search.Query{Type: resourceType, Sort: sorts, Count: rapid.IntRange(1, 5).Draw(rt, "count"), NoTotal: rapid.Bool().Draw(rt, "uncounted")}
		paged := pagedWhile(rt, st, q, keys)
		seen := map[string]int{}
		var still []string
		for _, id := range paged {
			if seen[id]++; id[0] != 'm' {
				require.Equal(rt, 1, seen[id], "%s twice", id)
			}
			if id[0] == 's' {
				still = append(still, id)
			}
		}
		want := filter(stillResources(resourceType, keys), search.Query{Type: resourceType, Sort: sorts})
		require.Equal(rt, ids(want), still)
	})
}

// stillResources are those that keep their keys.
func stillResources(resourceType string, keys []int) []store.Resource {
	var out []store.Resource
	for i, key := range keys {
		out = append(out, keyed(resourceType, fmt.Sprintf("s%02d", i), 1, key))
	}
	return out
}

// keyed is found at a place that the key says.
func keyed(resourceType, id string, n int64, key int) store.Resource {
	r := version(resourceType, id, n)
	if key > 0 { // some have no key
		r.Index = []search.Value{date("when", int64(key), int64(key)), token("status", "", fmt.Sprint("s", key%2))}
	}
	return r
}

// pagedWhile gives the ids of all pages, read while the writers are at work.
func pagedWhile(t require.TestingT, st store.Store, q search.Query, keys []int) []string {
	start := stillResources(q.Type, keys)
	for i := range 8 {
		start = append(start, keyed(q.Type, fmt.Sprintf("m%02d", i), 1, i%4))
	}
	mustCommit(t, st, store.Changeset{Resources: start})
	ctx, stop := context.WithCancel(context.Background())
	errs := make([]error, 3)
	var wg sync.WaitGroup
	for w, next := range []func(n int) store.Resource{
		func(n int) store.Resource { return keyed(q.Type, fmt.Sprintf("n%04d", n*7919%10_000), 1, n%4) },
		func(n int) store.Resource {
			i := n % len(keys)
			return keyed(q.Type, fmt.Sprintf("s%02d", i), int64(2+n/len(keys)), keys[i])
		},
		func(n int) store.Resource { return keyed(q.Type, fmt.Sprintf("m%02d", n%8), int64(2+n/8), (n+n/8)%4) },
	} {
		wg.Go(func() {
			for n := 0; ctx.Err() == nil && errs[w] == nil && n < 200; n++ {
				errs[w] = putOne(st, next(n))
			}
		})
	}
	var out []string
	for {
		page := mustSearch(t, st, q)
		out = append(out, ids(page.Matches)...)
		if q.After = page.Next; q.After == nil || len(out) > 10_000 {
			break
		}
	}
	stop()
	wg.Wait()
	for _, err := range errs {
		require.NoError(t, err)
	}
	return out
}

// putOne commits a resource that no other writer writes.
func putOne(st store.Store, r store.Resource) error {
	results, err := st.Commit(context.Background(), []store.Changeset{{Resources: []store.Resource{r}}})
	if err == nil && results[0].Status != store.Committed {
		return fmt.Errorf("%s version %d: status %d", r.ID, r.Version, results[0].Status)
	}
	return err
}
