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

// at is an instant of the invented day of these tests, with microseconds to keep.
func at(minutes int) time.Time {
	return time.Date(2031, time.March, 4, 9, 0, 0, 123456000, time.UTC).Add(time.Duration(minutes) * time.Minute)
}

// step is a step of an episode from the version expected, with every field set.
func step(episode string, expected int64) store.EpisodeChange {
	return store.EpisodeChange{
		ID: episode, Unit: "ward-3", Subject: "patient-of-" + episode, Expected: expected,
		Input: store.Input{
			Seq: expected + 1, Kind: "observed", Body: fmt.Appendf(nil, "input %d", expected+1),
			At: at(int(expected)), Answer: []byte("taken"),
		},
		State: fmt.Appendf(nil, "state %d", expected+1), RulesVersion: 7,
		Protocol: "https://site.example/protocol|2", ProtocolDigest: "sha256:ab", Due: at(int(expected) + 30),
	}
}

// version is a version of a resource that is found by values.
func version(resourceType, id string, n int64, values ...search.Value) store.Resource {
	return store.Resource{
		Type: resourceType, ID: id, Version: n, Updated: at(int(n)), Unit: "ward-3", Episode: "e1",
		Body: fmt.Appendf(nil, `{"resourceType":%q,"id":%q,"meta":{"versionId":"%d"}}`, resourceType, id, n), Index: values,
	}
}

func message(episode, id string, partition int) store.Outbox {
	return store.Outbox{
		Episode: episode, Partition: partition, Subject: "changes." + episode, MessageID: id,
		Headers: map[string]string{"Nats-Msg-Id": id}, Body: []byte("body of " + id),
	}
}

func inbox(id string) *store.Inbox {
	return &store.Inbox{Source: "urn:sender", ID: id, Digest: "digest of " + id, Answer: []byte("answer to " + id), At: at(0)}
}

// only commits one changeset and gives its result.
func only(t require.TestingT, st store.Store, c store.Changeset) store.Result {
	results, err := st.Commit(context.Background(), []store.Changeset{c})
	require.NoError(t, err)
	require.Len(t, results, 1)
	return results[0]
}

// mustCommit commits changesets that nothing stands against.
func mustCommit(t require.TestingT, st store.Store, changes ...store.Changeset) {
	results, err := st.Commit(context.Background(), changes)
	require.NoError(t, err)
	require.Len(t, results, len(changes))
	for i, r := range results {
		require.Equal(t, store.Result{Status: store.Committed}, r, "changeset %d", i)
	}
}

func requireKind(t *testing.T, err error, want outcome.Code) {
	t.Helper()
	require.Error(t, err)
	var known *outcome.Error
	require.ErrorAs(t, err, &known)
	require.Equal(t, want, outcome.KindOf(err), err.Error())
}

func requireAbsent(t *testing.T, st store.Store, resourceType, id string) {
	t.Helper()
	_, err := st.Read(t.Context(), resourceType, id)
	requireKind(t, err, outcome.CodeNotFound)
}

// stored is a resource as a store gives it back: without its index.
func stored(r store.Resource) store.Resource {
	r.Index, r.Skipped = nil, 0
	return r
}
