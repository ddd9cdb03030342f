package storetest

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
)

func asideTests() []contractTest {
	return []contractTest{
		{"aside/the rows behind it go on", asideLetsOthersPass},
		{"aside/retry and drop", asideAgain},
		{"aside/a late holder sets nothing aside", asideLate},
	}
}

var tooLong = store.Refusal{Code: "too-long", Details: "the broker takes no message of this size", Diagnostics: "canary"}

func asideLetsOthersPass(t *testing.T, st store.Store) {
	mustCommit(t, st, store.Changeset{Outbox: []store.Outbox{message("e", "m1", 7), message("e", "m2", 7)}})
	l := mustLease(t, st, "r1", 1, time.Hour)[0]
	_, seqs := mustUnsent(t, st, l, 9)
	require.NoError(t, st.SetAside(t.Context(), l, seqs[0], tooLong))
	_, left := mustUnsent(t, st, l, 9)
	require.Equal(t, seqs[1:], left)

	aside, err := st.Aside(t.Context())
	require.NoError(t, err)
	require.Len(t, aside, 1)
	got := aside[0]
	require.WithinDuration(t, time.Now(), got.At, time.Minute)
	require.WithinDuration(t, time.Now(), got.Queued, time.Minute)
	got.At, got.Queued = time.Time{}, time.Time{}
	require.Equal(t, store.AsideRow{
		Seq: seqs[0], Episode: "e", Subject: "changes.e", MessageID: "m1", Size: len("body of m1"), Refusal: tooLong,
	}, got)
	backlogs, err := st.Backlogs(t.Context())
	require.NoError(t, err)
	require.Len(t, backlogs, 1)
	require.Equal(t, store.JetStream, backlogs[0].Destination)
	require.Equal(t, 1, backlogs[0].Waiting)
	require.Equal(t, 1, backlogs[0].Refused)
	require.WithinDuration(t, time.Now(), backlogs[0].Oldest, time.Minute)
}

func asideAgain(t *testing.T, st store.Store) {
	mustCommit(t, st, store.Changeset{Outbox: []store.Outbox{message("e", "m1", 7), message("e", "m2", 7)}})
	l := mustLease(t, st, "r1", 1, time.Hour)[0]
	_, seqs := mustUnsent(t, st, l, 9)
	for _, seq := range seqs {
		require.NoError(t, st.SetAside(t.Context(), l, seq, tooLong))
	}
	require.NoError(t, st.SetAside(t.Context(), l, seqs[0], tooLong), "again changes nothing")
	require.NoError(t, st.RetryAside(t.Context(), seqs[0]))
	requireKind(t, st.RetryAside(t.Context(), seqs[0]), outcome.CodeNotFound)
	_, left := mustUnsent(t, st, l, 9)
	require.Equal(t, seqs[:1], left)
	require.NoError(t, st.DropAside(t.Context(), seqs[1]))
	requireKind(t, st.DropAside(t.Context(), seqs[1]), outcome.CodeNotFound)
	aside, err := st.Aside(t.Context())
	require.NoError(t, err)
	require.Empty(t, aside)
	_, left = mustUnsent(t, st, l, 9)
	require.Equal(t, seqs[:1], left, "what was dropped is never sent")
}

func asideLate(t *testing.T, st store.Store) {
	mustCommit(t, st, store.Changeset{Outbox: []store.Outbox{message("e", "m1", 7)}})
	l := mustLease(t, st, "r1", 1, time.Hour)[0]
	_, seqs := mustUnsent(t, st, l, 9)
	require.NoError(t, st.ReleaseOutbox(t.Context(), []store.Lease{l}))
	requireKind(t, st.SetAside(t.Context(), l, seqs[0], tooLong), outcome.CodeConflict)
	aside, err := st.Aside(t.Context())
	require.NoError(t, err)
	require.Empty(t, aside)
}
