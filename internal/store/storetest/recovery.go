package storetest

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/store"
)

func recoveryTests() []contractTest {
	return []contractTest{
		{"recovery/position of a stream", positionOfStream},
		{"recovery/told versions only rise", toldVersionsRise},
		{"recovery/numbers may be left out", numbersLeftOut},
		{"recovery/newest", newest},
	}
}

func positionOfStream(t *testing.T, st store.Store) {
	one, two := at(0), at(0).Add(time.Microsecond)
	position := func(stream time.Time, settled int64) store.Position {
		return store.Position{Stream: stream, Settled: settled}
	}
	for i, p := range []store.Position{{}, position(one, 7), position(one, 9), position(one, 8), position(two, 4)} {
		in := inbox(string(rune('a' + i)))
		in.Position = p
		mustCommit(t, st, store.Changeset{Inbox: in})
	}
	other := inbox("b")
	other.Position = position(one, 99)
	require.Equal(t, store.Duplicate, only(t, st, store.Changeset{Inbox: other}).Status)
	for stream, want := range map[time.Time]int64{one: 9, two: 4, at(1): 0} {
		got, err := st.Settled(t.Context(), stream)
		require.NoError(t, err)
		require.Equal(t, want, got, stream)
	}
	entry, ok, err := st.Answer(t.Context(), "urn:sender", "c")
	require.NoError(t, err)
	require.True(t, ok)
	require.Equal(t, *inbox("c"), entry, "without its position")
}

func toldVersionsRise(t *testing.T, st store.Store) {
	for _, step := range []struct{ told, want int64 }{{0, 0}, {9, 9}, {100, 100}, {20, 100}} {
		require.NoError(t, st.RaiseVersions(t.Context(), step.told))
		got, err := st.ToldVersions(t.Context())
		require.NoError(t, err)
		require.Equal(t, step.want, got)
	}
}

// numbersLeftOut is what happens to versions after a restore: 41 follows 2.
func numbersLeftOut(t *testing.T, st store.Store) {
	jump := func(id string, n, skipped int64) store.Resource {
		r := version("Task", id, n)
		r.Skipped = skipped
		return r
	}
	mustCommit(t, st, store.Changeset{Resources: []store.Resource{version("Task", "t1", 1), version("Task", "t1", 2)}})
	stale := store.Result{Status: store.Conflict}
	require.Equal(t, stale, only(t, st, store.Changeset{Resources: []store.Resource{jump("t1", 41, 0)}}))
	require.Equal(t, stale, only(t, st, store.Changeset{Resources: []store.Resource{jump("t1", 41, 39)}}))
	require.Equal(t, stale, only(t, st, store.Changeset{Resources: []store.Resource{jump("t2", 41, 39)}}), "there is none to follow")
	mustCommit(t, st, store.Changeset{Resources: []store.Resource{jump("t1", 41, 38), version("Task", "t1", 42), jump("t2", 41, 40)}})
	require.Equal(t, stale, only(t, st, store.Changeset{Resources: []store.Resource{jump("t2", 41, 40)}}), "it is there by now")
	mustCommit(t, st, store.Changeset{Resources: []store.Resource{version("Task", "t1", 43), version("Task", "t2", 42)}})

	versions, err := st.History(t.Context(), "Task", "t1")
	require.NoError(t, err)
	var numbers []int64
	for _, v := range versions {
		numbers = append(numbers, v.Version)
		got, err := st.ReadVersion(t.Context(), "Task", "t1", v.Version)
		require.NoError(t, err)
		require.Equal(t, v, got)
	}
	require.Equal(t, []int64{43, 42, 41, 2, 1}, numbers)
	_, err = st.ReadVersion(t.Context(), "Task", "t1", 3)
	requireKind(t, err, "not-found")
	_, err = st.Commit(t.Context(), []store.Changeset{{Resources: []store.Resource{jump("t9", 5, 5)}}})
	requireKind(t, err, "exception")
}

func newest(t *testing.T, st store.Store) {
	n, when, err := st.Newest(t.Context())
	require.NoError(t, err)
	require.Zero(t, n)
	require.True(t, when.IsZero())
	mustCommit(t, st, store.Changeset{Resources: []store.Resource{version("Task", "t1", 1), version("Task", "t1", 2), version("Flag", "f1", 1)}})
	late := version("Flag", "f2", 1)
	late.Updated = at(77)
	mustCommit(t, st, store.Changeset{Resources: []store.Resource{late}})
	n, when, err = st.Newest(t.Context())
	require.NoError(t, err)
	require.Equal(t, int64(2), n)
	require.Equal(t, at(77), when)
}
