package events_test

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"github.com/stretchr/testify/require"

	"fhirsvc/internal/events"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
)

func change(n int) store.Outbox {
	return store.Outbox{
		Subject:   fmt.Sprintf("fhirsvc.changes.Task.update.%02d", n%64),
		MessageID: fmt.Sprintf("Task/%d/1", n),
		Headers:   map[string]string{"Content-Type": "application/json"},
		Body:      fmt.Appendf(nil, `{"n":%d}`, n),
	}
}

func changes(from, to int) []store.Outbox {
	var m []store.Outbox
	for n := from; n < to; n++ {
		m = append(m, change(n))
	}
	return m
}

// contents gives the bodies of a stream in order.
func contents(t *testing.T, js jetstream.JetStream, stream string) []string {
	t.Helper()
	s, err := js.Stream(t.Context(), stream)
	require.NoError(t, err)
	var got []string
	for seq := uint64(1); seq <= s.CachedInfo().State.LastSeq; seq++ {
		m, err := s.GetMsg(t.Context(), seq)
		require.NoError(t, err)
		require.NotEmpty(t, m.Header.Get("Nats-Msg-Id"))
		got = append(got, string(m.Data))
	}
	return got
}

func want(from, to int) []string {
	var bodies []string
	for n := from; n < to; n++ {
		bodies = append(bodies, fmt.Sprintf(`{"n":%d}`, n))
	}
	return bodies
}

func TestPublishInOrderOncePerID(t *testing.T) {
	_, js := broker(t)
	p := events.NewPublisher(js)
	for _, part := range [][2]int{{0, 1500}, {1400, 1600}, {0, 10}, {1600, 1601}} { // repeats at its head, whole, none
		sent, err := p.Publish(t.Context(), changes(part[0], part[1]))
		require.NoError(t, err)
		require.Equal(t, part[1]-part[0], sent)
	}
	require.Equal(t, want(0, 1601), contents(t, js, events.StreamChanges))
}

// A batch costs one disk sync. The server leaves the place in the batch on each message.
func TestPublishUsesAtomicBatches(t *testing.T) {
	_, js := broker(t)
	_, err := events.NewPublisher(js).Publish(t.Context(), changes(0, 50))
	require.NoError(t, err)
	s, err := js.Stream(t.Context(), events.StreamChanges)
	require.NoError(t, err)
	m, err := s.GetMsg(t.Context(), 50)
	require.NoError(t, err)
	require.Equal(t, "50", m.Header.Get("Nats-Batch-Sequence"))
}

func TestPublishWithoutBatchesWhereTheStreamTakesNone(t *testing.T) {
	_, js := broker(t)
	require.NoError(t, js.DeleteStream(t.Context(), events.StreamChanges))
	_, err := js.CreateStream(t.Context(), jetstream.StreamConfig{Name: events.StreamChanges, Subjects: []string{events.SubjectChanges}})
	require.NoError(t, err)
	sent, err := events.NewPublisher(js).Publish(t.Context(), changes(0, 20))
	require.NoError(t, err)
	require.Equal(t, 20, sent)
	require.Equal(t, want(0, 20), contents(t, js, events.StreamChanges))
}

func TestPublishToBothStreams(t *testing.T) {
	_, js := broker(t)
	rejected := store.Outbox{Subject: events.SubjectRejected, MessageID: "r", Body: []byte("refused")}
	sent, err := events.NewPublisher(js).Publish(t.Context(), append(append(changes(0, 3), rejected), changes(3, 6)...))
	require.NoError(t, err)
	require.Equal(t, 7, sent)
	require.Equal(t, want(0, 6), contents(t, js, events.StreamChanges))
	require.Equal(t, []string{"refused"}, contents(t, js, events.StreamRejected))
}

func TestPublishStopsAtWhatCanNeverBeSent(t *testing.T) {
	_, js := broker(t)
	messages := changes(0, 5)
	messages[3].Body = []byte(strings.Repeat("x", 3<<20))
	sent, err := events.NewPublisher(js).Publish(t.Context(), messages)
	require.Equal(t, outcome.CodeException, outcome.KindOf(err))
	require.Equal(t, 3, sent)
	require.Equal(t, want(0, 3), contents(t, js, events.StreamChanges))
}

func TestPublishWithTheBrokerAway(t *testing.T) {
	nc, js := broker(t)
	nc.Close()
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
	defer cancel()
	sent, err := events.NewPublisher(js).Publish(ctx, changes(0, 5))
	require.Zero(t, sent)
	require.Equal(t, outcome.CodeTransient, outcome.KindOf(err))
}
