package storetest

import (
	"context"
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"fhirsvc/internal/store"
)

// commitEqualsModel checks that any calls of Commit end as the dumb model says, and
// leave what it holds. Keys are few, so that changesets meet within a call and across
// calls; all carry the number of the run, which makes an empty store of each.
func commitEqualsModel(t *testing.T, st store.Store) {
	run := 0
	rapid.Check(t, func(rt *rapid.T) {
		run++
		m := newModel()
		for range rapid.IntRange(1, 6).Draw(rt, "calls") {
			changes := drawCall(rt, &m, run)
			got, err := st.Commit(context.Background(), changes)
			require.NoError(rt, err)
			require.Equal(rt, m.commit(changes), got)
		}
		requireModel(rt, st, &m, run)
	})
}

func key(run int, kind string, n int) string { return fmt.Sprintf("%d-%s%d", run, kind, n) }

// keys draws some of the three keys of a kind, each at most once, in any order.
func keys(rt *rapid.T, run int, kind string) []string {
	var drawn []string
	for _, n := range rapid.SliceOfNDistinct(rapid.IntRange(0, 2), 0, 2, rapid.ID).Draw(rt, kind) {
		drawn = append(drawn, key(run, kind, n))
	}
	return drawn
}

// drawCall draws changesets of which, as Commit asks, no two share an episode or an
// inbox key.
func drawCall(rt *rapid.T, m *model, run int) []store.Changeset {
	used := map[string]bool{}
	var changes []store.Changeset
	for range rapid.IntRange(1, 4).Draw(rt, "changesets") {
		c := drawChangeset(rt, m, run)
		if c.Inbox != nil {
			if used[c.Inbox.ID] {
				c.Inbox = nil
			} else {
				used[c.Inbox.ID] = true
			}
		}
		var own []store.EpisodeChange
		for _, e := range c.Episodes {
			if !used[e.ID] {
				own = append(own, e)
			}
			used[e.ID] = true
		}
		c.Episodes = own
		changes = append(changes, c)
	}
	return changes
}

func drawChangeset(rt *rapid.T, m *model, run int) store.Changeset {
	// Mostly what the current version asks for, at times one off.
	off := rapid.SampledFrom([]int64{0, 0, 0, 0, 1, -1})
	var c store.Changeset
	for _, id := range keys(rt, run, "inbox") {
		c.Inbox = inbox(id)
		c.Inbox.Digest = rapid.SampledFrom([]string{"x", "x", "y"}).Draw(rt, "digest")
		c.Inbox.Answer = []byte(rapid.SampledFrom([]string{"yes", "no"}).Draw(rt, "answer"))
	}
	for _, id := range keys(rt, run, "episode") {
		c.Episodes = append(c.Episodes, step(id, max(0, m.episodes[id]+off.Draw(rt, "off"))))
	}
	for _, id := range keys(rt, run, "resource") {
		c.Resources = append(c.Resources, version("Task", id, max(1, m.resources[pair{"Task", id}]+1+off.Draw(rt, "off"))))
	}
	for _, value := range keys(rt, run, "identity") {
		c.Identities = append(c.Identities, claim(value, rapid.SampledFrom([]string{"p1", "p1", "p2"}).Draw(rt, "holder")))
	}
	if rapid.IntRange(0, 2).Draw(rt, "send") == 0 {
		id := key(run, "message", rapid.IntRange(0, 9).Draw(rt, "message"))
		c.Outbox = append(c.Outbox, message("", id, 0))
	}
	return c
}

func requireModel(rt *rapid.T, st store.Store, m *model, run int) {
	ctx := context.Background()
	for n := range 3 {
		id := key(run, "episode", n)
		e, _ := st.Load(ctx, id) // version 0 when there is none
		require.Equal(rt, m.episodes[id], e.Version)
		kept, err := st.Inputs(ctx, id)
		require.NoError(rt, err)
		require.Len(rt, kept, int(e.Version))

		id = key(run, "resource", n)
		r, _ := st.Read(ctx, "Task", id)
		require.Equal(rt, m.resources[pair{"Task", id}], r.Version)
		history, _ := st.History(ctx, "Task", id)
		require.Len(rt, history, int(r.Version))

		value := key(run, "identity", n)
		holder, held, err := st.Identity(ctx, "Patient", "urn:mrn", value)
		require.NoError(rt, err)
		require.Equal(rt, m.identities[named(claim(value, ""))], holder)
		require.Equal(rt, holder != "", held)

		id = key(run, "inbox", n)
		entry, known, err := st.Answer(ctx, "urn:sender", id)
		require.NoError(rt, err)
		want, ok := m.inbox[pair{"urn:sender", id}]
		require.Equal(rt, ok, known)
		require.Equal(rt, want, entry)
	}
}
