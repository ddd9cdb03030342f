package events_test

import (
	"context"
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/episode"
	"fhirsvc/internal/events"
	"fhirsvc/internal/store"
)

func refused(t *testing.T, r episode.Rejection, id string) store.Outbox {
	t.Helper()
	r.Reason = json.RawMessage(`{"resourceType":"OperationOutcome"}`)
	body, err := json.Marshal(r)
	require.NoError(t, err)
	return store.Outbox{Subject: events.SubjectRejected, MessageID: id, Headers: map[string]string{"Nats-Msg-Id": id}, Body: body}
}

func numbers(t *testing.T, r *events.RefusedEvents) []uint64 {
	t.Helper()
	var got []uint64
	require.NoError(t, r.Each(t.Context(), func(one events.Refused) error {
		got = append(got, one.Number)
		return nil
	}))
	return got
}

// A rejected event goes back to the service as it came; it stays in the list until it is
// dropped, and dropped it is gone.
func TestRefusedEvents(t *testing.T) {
	_, js := broker(t)
	r, err := events.NewRefusedEvents(t.Context(), js)
	require.NoError(t, err)
	require.Empty(t, numbers(t, r))
	_, err = events.NewPublisher(js).Publish(t.Context(), []store.Outbox{
		refused(t, episode.Rejection{Original: []byte("one"), ContentType: "application/fhir+json"}, "rejected/1"),
		refused(t, episode.Rejection{Original: []byte("tw"), Truncated: true}, "rejected/2"),
		refused(t, episode.Rejection{Original: []byte("three")}, "rejected/3"),
	})
	require.NoError(t, err)
	require.Equal(t, []uint64{1, 2, 3}, numbers(t, r))

	require.NoError(t, r.Replay(t.Context(), 1))
	require.NoError(t, r.Replay(t.Context(), 1), "twice is two messages: each is evaluated")
	require.ErrorIs(t, r.Replay(t.Context(), 2), events.ErrTruncated)
	require.ErrorIs(t, r.Replay(t.Context(), 9), events.ErrNotRefused)
	require.Equal(t, []string{"one", "one"}, contents(t, js, events.StreamProcedure))
	s, err := js.Stream(t.Context(), events.StreamProcedure)
	require.NoError(t, err)
	m, err := s.GetMsg(t.Context(), 1)
	require.NoError(t, err)
	require.Equal(t, "application/fhir+json", m.Header.Get("Content-Type"))
	require.Equal(t, []uint64{1, 2, 3}, numbers(t, r))

	require.NoError(t, r.Drop(t.Context(), 2))
	require.ErrorIs(t, r.Drop(t.Context(), 2), events.ErrNotRefused)
	require.Equal(t, []uint64{1, 3}, numbers(t, r))

	stop := context.Canceled
	require.ErrorIs(t, r.Each(t.Context(), func(events.Refused) error { return stop }), stop)
}
