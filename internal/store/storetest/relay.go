package storetest

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
)

func relayTests() []contractTest {
	return []contractTest{
		{"relay/rows in order as committed", rowsInOrder},
		{"relay/one lease a partition", oneLease},
		{"relay/late holder is refused", lateHolder},
		{"relay/release", release},
		{"relay/only its own partition", ownPartition},
		{"relay/many partitions at once", manyPartitions},
	}
}

func mustLease(t *testing.T, st store.Store, holder string, limit int, lease time.Duration) []store.Lease {
	t.Helper()
	leases, err := st.LeaseOutbox(t.Context(), holder, limit, lease)
	require.NoError(t, err)
	return leases
}

func mustUnsent(t *testing.T, st store.Store, l store.Lease, limit int) (rows []store.OutboxRow, seqs []int64) {
	t.Helper()
	rows, err := st.Unsent(t.Context(), []store.Lease{l}, limit)
	require.NoError(t, err)
	for _, r := range rows {
		seqs = append(seqs, r.Seq)
	}
	return rows, seqs
}

// rowsInOrder sends three episodes of two partitions in several rounds.
func rowsInOrder(t *testing.T, st store.Store) {
	want := map[int][]store.Outbox{}
	for n := range int64(5) {
		for e, episode := range []string{"c", "a", "b"} {
			var rows []store.Outbox
			for i := range 3 {
				// Ids fall while the order rises: it must not come from them.
				rows = append(rows, message(episode, fmt.Sprintf("%s-%d-%d", episode, 9-n, 9-i), e%2*63))
			}
			mustCommit(t, st, store.Changeset{Episodes: []store.EpisodeChange{step(episode, n)}, Outbox: rows})
			want[rows[0].Partition] = append(want[rows[0].Partition], rows...)
		}
	}
	unsettled, err := st.Unsettled(t.Context())
	require.NoError(t, err)
	require.Equal(t, 45, unsettled)

	leases := mustLease(t, st, "r1", 64, time.Hour)
	require.Len(t, leases, 2)
	got := map[int][]store.Outbox{}
	for _, l := range leases {
		last := int64(0)
		for {
			rows, seqs := mustUnsent(t, st, l, 4)
			if len(rows) == 0 {
				break
			}
			for _, r := range rows {
				require.Greater(t, r.Seq, last)
				last = r.Seq
				got[l.Partition] = append(got[l.Partition], r.Outbox)
			}
			require.NoError(t, st.MarkSent(t.Context(), []store.Lease{l}, seqs))
		}
	}
	require.Equal(t, want, got)
	unsettled, err = st.Unsettled(t.Context())
	require.NoError(t, err)
	require.Zero(t, unsettled)

	// Rows stay: their message ids are still known.
	again := store.Changeset{Outbox: []store.Outbox{want[0][0]}}
	require.Equal(t, store.Conflict, only(t, st, again).Status)
}

func oneLease(t *testing.T, st store.Store) {
	require.Empty(t, mustLease(t, st, "r1", 64, time.Hour), "nothing to send")
	mustCommit(t, st, store.Changeset{Outbox: []store.Outbox{message("", "m1", 1), message("", "m2", 2), message("", "m3", 3)}})
	one := mustLease(t, st, "r1", 2, time.Hour)
	require.Len(t, one, 2)
	two := mustLease(t, st, "r2", 64, time.Hour)
	require.Len(t, two, 1)
	require.Empty(t, mustLease(t, st, "r1", 64, time.Hour))
	seen := map[int]bool{}
	for _, l := range append(one, two...) {
		seen[l.Partition] = true
		require.Positive(t, l.Fence)
	}
	require.Equal(t, map[int]bool{1: true, 2: true, 3: true}, seen)
}

func lateHolder(t *testing.T, st store.Store) {
	mustCommit(t, st, store.Changeset{Outbox: []store.Outbox{message("", "m1", 7), message("", "m2", 7)}})
	late := mustLease(t, st, "r1", 1, 20*time.Millisecond)[0]
	_, seqs := mustUnsent(t, st, late, 9)
	var now store.Lease
	require.Eventually(t, func() bool {
		leases, err := st.LeaseOutbox(t.Context(), "r2", 1, time.Hour)
		if err != nil || len(leases) == 0 {
			return false
		}
		now = leases[0]
		return true
	}, 10*time.Second, 5*time.Millisecond)
	require.Greater(t, now.Fence, late.Fence)

	requireKind(t, st.MarkSent(t.Context(), []store.Lease{late}, seqs), outcome.CodeConflict)
	none, _ := mustUnsent(t, st, late, 9)
	require.Empty(t, none)
	require.NoError(t, st.ReleaseOutbox(t.Context(), []store.Lease{late}), "what is lost needs no release")
	_, still := mustUnsent(t, st, now, 9)
	require.Equal(t, seqs, still)
	require.NoError(t, st.MarkSent(t.Context(), []store.Lease{now}, seqs[:1]))
	require.NoError(t, st.MarkSent(t.Context(), []store.Lease{now}, seqs[:1]), "marking again changes nothing")
	_, still = mustUnsent(t, st, now, 9)
	require.Equal(t, seqs[1:], still)
}

func release(t *testing.T, st store.Store) {
	mustCommit(t, st, store.Changeset{Outbox: []store.Outbox{message("", "m1", 7)}})
	one := mustLease(t, st, "r1", 1, time.Hour)[0]
	_, seqs := mustUnsent(t, st, one, 9)
	require.NoError(t, st.ReleaseOutbox(t.Context(), []store.Lease{one}))
	requireKind(t, st.MarkSent(t.Context(), []store.Lease{one}, seqs), outcome.CodeConflict)
	two := mustLease(t, st, "r2", 1, time.Hour)[0]
	require.Equal(t, one.Partition, two.Partition)
	require.Greater(t, two.Fence, one.Fence)
}

func ownPartition(t *testing.T, st store.Store) {
	mustCommit(t, st, store.Changeset{Outbox: []store.Outbox{message("", "m1", 1), message("", "m2", 2)}})
	leases := mustLease(t, st, "r1", 2, time.Hour)
	_, first := mustUnsent(t, st, leases[0], 9)
	_, second := mustUnsent(t, st, leases[1], 9)
	require.NoError(t, st.MarkSent(t.Context(), []store.Lease{leases[0]}, append(first, second...)))
	_, still := mustUnsent(t, st, leases[1], 9)
	require.Equal(t, second, still)
}

// manyPartitions handles three partitions together, of which one is lost meanwhile.
func manyPartitions(t *testing.T, st store.Store) {
	var rows []store.Outbox
	for i := range 9 {
		rows = append(rows, message("", fmt.Sprintf("m%d", i), 1+i%3))
	}
	mustCommit(t, st, store.Changeset{Outbox: rows})
	held := mustLease(t, st, "r1", 3, time.Hour)
	unsent := func(held []store.Lease, limit int) (ids []string, seqs []int64) {
		t.Helper()
		found, err := st.Unsent(t.Context(), held, limit)
		require.NoError(t, err)
		for _, r := range found {
			ids, seqs = append(ids, r.MessageID), append(seqs, r.Seq)
		}
		return ids, seqs
	}
	ids, seqs := unsent(held, 2)
	require.Equal(t, []string{"m0", "m3", "m1", "m4", "m2", "m5"}, ids, "so many of each, one partition after the other")
	require.NoError(t, st.ReleaseOutbox(t.Context(), held[1:2]))
	requireKind(t, st.MarkSent(t.Context(), held, seqs), outcome.CodeConflict)
	ids, seqs = unsent(held, 9)
	require.Equal(t, []string{"m6", "m8"}, ids, "the others were marked, and what was lost is another's")
	require.NoError(t, st.MarkSent(t.Context(), []store.Lease{held[0], held[2]}, seqs))
	require.NoError(t, st.ReleaseOutbox(t.Context(), held), "what is lost needs no release")
	again := mustLease(t, st, "r2", 3, time.Hour)
	require.Len(t, again, 1)
	ids, _ = unsent(again, 9)
	require.Equal(t, []string{"m1", "m4", "m7"}, ids)
}
