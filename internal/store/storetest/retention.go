package storetest

import (
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/store"
)

func retentionTests() []contractTest {
	return []contractTest{
		{"retention/an episode is removed and remembered", purgeEpisode},
		{"retention/nothing is removed without a record of it", purgeIsRecorded},
		{"retention/what is still to be told stays", purgeWaits},
		{"retention/what a Subscription is still to be told of stays", purgeWaitsForSubscriptions},
		{"retention/what waits for a destination stays", purgeWaitsForDestinations},
		{"retention/what was set aside stays", purgeWaitsForPeople},
		{"retention/old entries of the inbox", oldInbox},
		{"retention/old messages", oldMessages},
		{"retention/old AuditEvents", oldAuditEvents},
	}
}

// ended is an episode that waits for no time, with a Task and an identifier.
func ended(id string) store.Changeset {
	e := step(id, 0)
	e.Due = time.Time{}
	r := version("Task", "task-"+id, 1, search.Value{Param: "code", Kind: search.Token, Code: "x"})
	r.Episode = id
	return store.Changeset{
		Inbox: inbox(id), Episodes: []store.EpisodeChange{e}, Resources: []store.Resource{r},
		Identities: []store.Identity{{Type: "Task", System: "s", Value: id, ID: "task-" + id}},
	}
}

func purgeEpisode(t *testing.T, st store.Store) {
	shared := version("Patient", "p1", 1)
	shared.Episode = ""
	mustCommit(t, st, ended("a"), ended("b"), ended("c"), store.Changeset{Resources: []store.Resource{shared}}, store.Changeset{Episodes: []store.EpisodeChange{step("bb", 0)}})
	ids, err := st.Idle(t.Context(), "a", 5)
	require.NoError(t, err)
	require.Equal(t, []string{"b", "c"}, ids)
	ids, err = st.Idle(t.Context(), "", 1)
	require.NoError(t, err)
	require.Equal(t, []string{"a"}, ids)

	requireKind(t, st.Purge(t.Context(), "b", 2, recordOf("b")), "conflict")
	requireKind(t, st.Purge(t.Context(), "bb", 1, recordOf("bb")), "conflict")
	of, err := st.OfEpisode(t.Context(), "b")
	require.NoError(t, err)
	require.Equal(t, []store.Resource{stored(ended("b").Resources[0])}, of)
	require.NoError(t, st.Purge(t.Context(), "b", 1, recordOf("b")))
	requireKind(t, st.Purge(t.Context(), "b", 1, recordOf("b")), "conflict")
	_, err = st.Load(t.Context(), "b")
	requireKind(t, err, "deleted")
	found, err := st.Gather(t.Context(), store.Wanted{Episodes: []string{"a", "b", "d"}})
	require.NoError(t, err, "one that was purged is no fault of what else is wanted")
	require.Len(t, found.Episodes, 1)
	require.Equal(t, []string{"b"}, found.Purged)
	_, err = st.Load(t.Context(), "d")
	requireKind(t, err, "not-found")
	requireAbsent(t, st, "Task", "task-b")
	_, err = st.History(t.Context(), "Task", "task-b")
	requireKind(t, err, "not-found")
	inputs, err := st.Inputs(t.Context(), "b")
	require.NoError(t, err)
	require.Empty(t, inputs)
	page, err := st.Search(t.Context(), search.Query{Type: "Task", Count: 9, All: []search.Condition{{Param: "code", Kind: search.Token, Any: []search.Term{{Code: "x"}}}}})
	require.NoError(t, err)
	require.Len(t, page.Matches, 2)
	_, taken, err := st.Identity(t.Context(), "Task", "s", "b")
	require.NoError(t, err)
	require.True(t, taken, "an identifier stays taken")
	_, err = st.Read(t.Context(), "Patient", "p1")
	require.NoError(t, err)
	_, err = st.Load(t.Context(), "a")
	require.NoError(t, err)
}

func purgeWaits(t *testing.T, st store.Store) {
	putQueue(t, st, 1, queue("s", "active")) // where nobody listens, what is sent may be matched with it
	c := ended("a")
	c.Outbox = []store.Outbox{message("a", "m1", 3)}
	mustCommit(t, st, c)
	requireKind(t, st.Purge(t.Context(), "a", 1, recordOf("a")), "conflict")
	sendAll(t, st)
	requireKind(t, st.Purge(t.Context(), "a", 1, recordOf("a")), "conflict")
	matchAll(t, st, toNobody)
	require.NoError(t, st.Purge(t.Context(), "a", 1, recordOf("a")))

	toldOf(t, st, "b") // the other way round
	matchAll(t, st, toNobody)
	requireKind(t, st.Purge(t.Context(), "b", 1, recordOf("b")), "conflict")
	sendAll(t, st)
	require.NoError(t, st.Purge(t.Context(), "b", 1, recordOf("b")))
}

func sendAll(t *testing.T, st store.Store) {
	t.Helper()
	leases, err := st.LeaseOutbox(t.Context(), "me", store.Partitions, time.Minute)
	require.NoError(t, err)
	for _, l := range leases {
		rows, err := st.Unsent(t.Context(), []store.Lease{l}, 100)
		require.NoError(t, err)
		for _, row := range rows {
			require.NoError(t, st.MarkSent(t.Context(), []store.Lease{l}, []int64{row.Seq}))
		}
		require.NoError(t, st.ReleaseOutbox(t.Context(), []store.Lease{l}))
	}
}

func toNobody(context.Context, []store.OutboxRow, []store.Subscription) (store.Matched, error) {
	return store.Matched{}, nil
}

// recordOf is the record of a removal, which can be found.
func recordOf(what string) store.Resource {
	r := version("AuditEvent", "record-"+what, 1, search.Value{Param: "action", Kind: search.Token, Code: "D"})
	r.Episode, r.Updated = "", at(100_000)
	return r
}

func purgeIsRecorded(t *testing.T, st store.Store) {
	mustCommit(t, st, ended("a"), ended("b"))
	requireKind(t, st.Purge(t.Context(), "a", 2, recordOf("a")), "conflict")
	requireAbsent(t, st, "AuditEvent", "record-a")
	require.NoError(t, st.Purge(t.Context(), "a", 1, recordOf("a")))
	got, err := st.Read(t.Context(), "AuditEvent", "record-a")
	require.NoError(t, err)
	require.Equal(t, stored(recordOf("a")), got)
	page, err := st.Search(t.Context(), search.Query{Type: "AuditEvent", Count: 9, All: []search.Condition{{Param: "action", Kind: search.Token, Any: []search.Term{{Code: "D"}}}}})
	require.NoError(t, err)
	require.Len(t, page.Matches, 1)

	requireKind(t, st.Purge(t.Context(), "b", 1, recordOf("a")), "conflict") // its record can't be stored
	_, err = st.Load(t.Context(), "b")
	require.NoError(t, err)
	_, err = st.Read(t.Context(), "Task", "task-b")
	require.NoError(t, err)

	none := func(int) (store.Resource, error) {
		return store.Resource{}, outcome.Fail(outcome.CodeException, "record", "there is none")
	}
	n, err := st.RemoveOld(t.Context(), store.OldInbox, at(100_000), 9, none)
	requireKind(t, err, "exception")
	require.Zero(t, n)
	n, err = st.RemoveOld(t.Context(), store.OldInbox, at(-100_000), 9, none)
	require.NoError(t, err, "nothing was removed, so nothing is recorded")
	require.Zero(t, n)
	seen := 0
	n, err = st.RemoveOld(t.Context(), store.OldInbox, at(100_000), 9, func(n int) (store.Resource, error) {
		seen = n
		return recordOf("inbox"), nil
	})
	require.NoError(t, err)
	require.Equal(t, []int{2, 2}, []int{n, seen})
	_, err = st.Read(t.Context(), "AuditEvent", "record-inbox")
	require.NoError(t, err)
}

// removeAll removes in batches of two and gives how many there were.
func removeAll(t *testing.T, st store.Store, what store.Old, before time.Time) (removed int) {
	t.Helper()
	counted, err := st.CountOld(t.Context(), what, before)
	require.NoError(t, err)
	recording := func(int) (store.Resource, error) {
		return recordOf(fmt.Sprintf("%d-%d-%d", what, removed, before.UnixMicro())), nil
	}
	for {
		n, err := st.RemoveOld(t.Context(), what, before, 2, recording)
		require.NoError(t, err)
		require.LessOrEqual(t, n, 2)
		if n == 0 {
			require.Equal(t, counted, removed)
			return removed
		}
		removed += n
	}
}

func oldInbox(t *testing.T, st store.Store) {
	for i, p := range []store.Position{{}, {Stream: at(0), Settled: 5}, {Stream: at(0), Settled: 9}, {}, {}} {
		in := inbox(string(rune('a' + i)))
		in.At, in.Position = at(i), p
		mustCommit(t, st, store.Changeset{Inbox: in})
	}
	require.Equal(t, 3, removeAll(t, st, store.OldInbox, at(4)), "not the last position, and not what is younger")
	for id, want := range map[string]bool{"a": false, "b": false, "c": true, "d": false, "e": true} {
		_, there, err := st.Answer(t.Context(), "urn:sender", id)
		require.NoError(t, err)
		require.Equal(t, want, there, id)
	}
	n, err := st.Settled(t.Context(), at(0))
	require.NoError(t, err)
	require.Equal(t, int64(9), n)
}

func oldMessages(t *testing.T, st store.Store) {
	later := time.Now().Add(time.Hour)
	putQueue(t, st, 1, queue("s", "active")) // where nobody listens, what is sent may be matched with it
	mustCommit(t, st, store.Changeset{Outbox: []store.Outbox{message("a", "m1", 3), message("a", "m2", 3), message("b", "m3", 4)}})
	require.Zero(t, removeAll(t, st, store.OldOutbox, later), "not sent")
	sendAll(t, st)
	require.Zero(t, removeAll(t, st, store.OldOutbox, later), "not matched")
	matchAll(t, st, toNobody)
	require.Zero(t, removeAll(t, st, store.OldOutbox, time.Now().Add(-time.Hour)), "not old")
	require.Equal(t, 3, removeAll(t, st, store.OldOutbox, later))
	require.Zero(t, removeAll(t, st, store.OldOutbox, later))
}

func oldAuditEvents(t *testing.T, st store.Store) {
	var all []store.Resource
	for i := range 6 {
		r := version("AuditEvent", string(rune('a'+i)), 1)
		r.Episode, r.Updated = "", at(i)
		all = append(all, r)
	}
	mustCommit(t, st, store.Changeset{Resources: append(all, version("Task", "t1", 1))})
	require.Equal(t, 5, removeAll(t, st, store.OldAudit, at(5)))
	requireAbsent(t, st, "AuditEvent", "a")
	_, err := st.ReadVersion(t.Context(), "AuditEvent", "e", 1)
	requireKind(t, err, "not-found")
	_, err = st.Read(t.Context(), "AuditEvent", "f")
	require.NoError(t, err)
	_, err = st.Read(t.Context(), "Task", "t1")
	require.NoError(t, err)
}
