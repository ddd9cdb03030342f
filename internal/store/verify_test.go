package store_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
)

func TestVerifyRefusesWhatNoStoreCouldKeep(t *testing.T) {
	step := func(id string, expected, seq int64) store.EpisodeChange {
		return store.EpisodeChange{ID: id, Expected: expected, Input: store.Input{Seq: seq}}
	}
	tests := []struct {
		name   string
		change store.Changeset
		want   string
	}{
		{"empty", store.Changeset{}, ""},
		{"first step", store.Changeset{Episodes: []store.EpisodeChange{step("a", 0, 1)}}, ""},
		{"seq ahead", store.Changeset{Episodes: []store.EpisodeChange{step("a", 1, 3)}}, "does not lead to version 2"},
		{"one episode twice", store.Changeset{Episodes: []store.EpisodeChange{step("a", 0, 1), step("a", 1, 2)}}, "one change each"},
		{"negative version", store.Changeset{Episodes: []store.EpisodeChange{step("a", -1, 0)}}, "one change each"},
		{"resource version 0", store.Changeset{Resources: []store.Resource{{Type: "Task", ID: "t"}}}, "count from 1"},
		{"partition 64", store.Changeset{Outbox: []store.Outbox{{MessageID: "m", Partition: 64}}}, "not in 0..63"},
		{"message id twice", store.Changeset{Outbox: []store.Outbox{{MessageID: "m"}, {MessageID: "m"}}}, "stands twice"},
		{"queue alone", store.Changeset{Subscriptions: []store.Subscription{{ID: "s", Lease: 1}}}, "its resource is not in the changeset"},
		{"queue without lease", store.Changeset{
			Resources:     []store.Resource{{Type: "Subscription", ID: "s", Version: 1}},
			Subscriptions: []store.Subscription{{ID: "s"}},
		}, "has no lease"},
		{"no message id", store.Changeset{Outbox: []store.Outbox{{}}}, "message \"\""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got := store.Verify([]store.Changeset{{}, tt.change})
			if tt.want == "" {
				require.NoError(t, got)
				return
			}
			require.ErrorContains(t, got, tt.want)
			require.Equal(t, outcome.CodeException, outcome.KindOf(got))
		})
	}
}
