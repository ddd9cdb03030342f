package storetest

import (
	"context"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/store"
)

func traceTests() []contractTest {
	return []contractTest{{"trace/what waits knows the trace of its change", traceOfWhatWaits}}
}

// traceOfWhatWaits: the trace context of a change (here the example of w3.org/TR/trace-context,
// section 3.2.4) is given with what is to be told of it, to Subscriptions and to destinations.
func traceOfWhatWaits(t *testing.T, st store.Store) {
	const traceparent = "00-0af7651916cd43dd8448eb211c80319c-b7ad6b7169203331-01"
	addDestination(t, st, "ehr")
	putQueue(t, st, 1, queue("s", "active"))
	traced, plain := message("e", "Task/t/1", 3), message("e", "Task/t/2", 3)
	traced.Headers["traceparent"] = traceparent
	mustCommit(t, st, store.Changeset{Outbox: []store.Outbox{traced}})
	mustCommit(t, st, store.Changeset{Outbox: []store.Outbox{plain}})
	matchAll(t, st, func(_ context.Context, changes []store.OutboxRow, _ []store.Subscription) (store.Matched, error) {
		var m store.Matched
		for _, c := range changes {
			n := int64(1)
			if c.MessageID == plain.MessageID {
				n = 2
			}
			if c.Episode != "e" {
				continue // of the Subscription itself
			}
			m.Events = append(m.Events, store.SubscriptionEvent{Subscription: "s", Type: "Task", ID: "t", Version: n, At: at(1)})
			m.Deliveries = append(m.Deliveries, store.Delivery{Seq: c.Seq, Episode: "e", Change: n, Type: "Task", ID: "t", Version: n})
		}
		return m, nil
	})
	events, err := st.SubscriptionEvents(t.Context(), "s", 1, 9, 9)
	require.NoError(t, err)
	require.Len(t, events, 2)
	require.Equal(t, traceparent, events[0].Trace)
	require.Empty(t, events[1].Trace)
	claims := claimDeliveries(t, st, "ehr", 1)
	require.Len(t, claims, 1)
	waiting, err := st.WaitingDeliveries(t.Context(), claims[0], 9)
	require.NoError(t, err)
	require.Len(t, waiting, 2)
	require.Equal(t, traceparent, waiting[0].Trace)
	require.Empty(t, waiting[1].Trace)
}
