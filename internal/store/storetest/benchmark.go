package storetest

import (
	"context"
	"fmt"
	"math"
	"strings"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/store"
)

// Commit is store.Store's method, or another way to write the same rows.
type Commit func(ctx context.Context, changes []store.Changeset) ([]store.Result, error)

// BenchmarkCommit measures commits of an ordinary input by some writers at once, each
// with an episode of its own: one inbox entry, a step with 2 kB of state, six resource
// versions of 1.6 kB (four new, two changed) with eight index values each, and two
// messages. group is the number of episodes in one call; the figure reported is
// changesets per second.
func BenchmarkCommit(b *testing.B, commit Commit, writers, group int) {
	var commits, next atomic.Int64
	b.ReportAllocs()
	b.SetParallelism(writers) // times GOMAXPROCS; the rest return at once
	b.ResetTimer()
	b.RunParallel(func(pb *testing.PB) {
		writer := next.Add(1)
		if writer > int64(writers) {
			return
		}
		for n := int64(0); pb.Next(); n++ {
			changes := make([]store.Changeset, group)
			for i := range changes {
				changes[i] = Ordinary(fmt.Sprintf("w%d-%d-%d", b.N, writer, i), n)
			}
			results, err := commit(context.Background(), changes)
			require.NoError(b, err)
			for _, r := range results {
				require.Equal(b, store.Committed, r.Status)
			}
			commits.Add(int64(group))
		}
	})
	b.ReportMetric(float64(commits.Load())/b.Elapsed().Seconds(), "changesets/s")
}

// Ordinary is the changeset of the n-th input of an episode.
func Ordinary(episode string, n int64) store.Changeset {
	key := fmt.Sprintf("%s-%d", episode, n)
	e := step(episode, n)
	e.State = filler(2000)
	c := store.Changeset{Inbox: inbox(key), Episodes: []store.EpisodeChange{e}}
	for i := range 2 {
		c.Outbox = append(c.Outbox, message(episode, fmt.Sprintf("%s-%d", key, i), int(n)%store.Partitions))
		c.Resources = append(c.Resources, indexed(version("CarePlan", fmt.Sprintf("%s-%d", episode, i), n+1), episode))
	}
	for i := range 4 {
		c.Resources = append(c.Resources, indexed(version("Task", fmt.Sprintf("%s-%d", key, i), 1), episode))
	}
	return c
}

// indexed gives a resource a body and the index values of a Task.
func indexed(r store.Resource, episode string) store.Resource {
	r.Body = filler(1600)
	ref := func(param, resourceType string) search.Value {
		return search.Value{Param: param, Kind: search.Reference, System: resourceType, Code: episode + "-" + resourceType}
	}
	r.Index = []search.Value{
		token("status", "http://hl7.org/fhir/task-status", "ready"), token("code", "https://site.example/cs", "site-check"),
		token("group-identifier", "urn:episode", episode), token("identifier", "urn:task", r.ID),
		ref("patient", "Patient"), ref("subject", "Patient"), ref("encounter", "Encounter"),
		date("period", r.Updated.UnixNano(), math.MaxInt64),
	}
	return r
}

func filler(n int) []byte { return []byte(strings.Repeat("0123456789abcdef", n/16+1)[:n]) }
