package storetest

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/store"
)

// toldOf is an episode that has ended, with a message of its Task.
func toldOf(t *testing.T, st store.Store, id string) {
	t.Helper()
	c := ended(id)
	m := message(id, "task-"+id, 3)
	m.Subject = "change 1"
	c.Outbox = []store.Outbox{m}
	mustCommit(t, st, c)
}

func purgeWaitsForSubscriptions(t *testing.T, st store.Store) {
	putQueue(t, st, 1, queue("s", "active"))
	toldOf(t, st, "a")
	sendAll(t, st)
	matchAll(t, st, everyone)
	requireKind(t, st.Purge(t.Context(), "a", 1, recordOf("a")), "conflict")
	settle(t, st, soon(), mustClaimSubscriptions(t, st, soon(), 9, 9)[0], store.Settlement{Sent: 1})
	require.NoError(t, st.Purge(t.Context(), "a", 1, recordOf("a")))
}

func purgeWaitsForDestinations(t *testing.T, st store.Store) {
	addDestination(t, st, "ehr")
	toldOf(t, st, "a")
	sendAll(t, st)
	matchAll(t, st, toAll)
	requireKind(t, st.Purge(t.Context(), "a", 1, recordOf("a")), "conflict")
	deliverAll(t, st, "ehr")
	require.NoError(t, st.Purge(t.Context(), "a", 1, recordOf("a")))
}

// deliverAll delivers all that waits at a destination.
func deliverAll(t *testing.T, st store.Store, to string) {
	t.Helper()
	for _, c := range claimDeliveries(t, st, to, 9) {
		ids, seqs := waiting(t, st, c, 9)
		x := store.DeliverySettlement{Sent: seqs}
		for _, id := range ids {
			x.Copies = append(x.Copies, store.Copy{Type: "Task", ID: id, Version: 1, RemoteID: "17"})
		}
		settleDelivery(t, st, c, x)
	}
}

func purgeWaitsForPeople(t *testing.T, st store.Store) {
	toldOf(t, st, "a")
	l := mustLease(t, st, "r1", 1, time.Hour)[0]
	_, seqs := mustUnsent(t, st, l, 9)
	require.NoError(t, st.SetAside(t.Context(), l, seqs[0], tooLong))
	matchAll(t, st, toNobody)
	requireKind(t, st.Purge(t.Context(), "a", 1, recordOf("a")), "conflict")
	require.NoError(t, st.DropAside(t.Context(), seqs[0]))
	require.NoError(t, st.Purge(t.Context(), "a", 1, recordOf("a")))
}

// PurgeLeavesNothing purges an episode of which there was something of every kind. naming
// gives the tables that have a row with a text in it.
func PurgeLeavesNothing(t *testing.T, st store.Store, naming func(text string) []string) {
	t.Helper()
	putQueue(t, st, 1, queue("s", "active"))
	addDestination(t, st, "ehr")
	toldOf(t, st, "purged-one")
	mustCommit(t, st, store.Changeset{Quarantine: &store.Quarantine{ID: "q", Episode: "purged-one", Kind: "message", Body: []byte("{}"), Fault: "f", At: at(0)}})
	sendAll(t, st)
	matchAll(t, st, func(ctx context.Context, changes []store.OutboxRow, live []store.Subscription) (store.Matched, error) {
		m, err := toAll(ctx, changes, live)
		if err != nil {
			return m, err
		}
		told, err := everyone(ctx, changes, live)
		m.Events = told.Events
		return m, err
	})
	deliverAll(t, st, "ehr")
	settle(t, st, soon(), mustClaimSubscriptions(t, st, soon(), 9, 9)[0], store.Settlement{Sent: 1})
	require.Subset(t, naming("purged-one"), []string{
		"delivered", "episode", "episode_input", "quarantine", "resource", "resource_version", "search_index",
	}, "there was something to remove")
	require.NoError(t, st.Purge(t.Context(), "purged-one", 1, recordOf("that")))
	require.ElementsMatch(t, []string{
		"identity", "purged", // for good: nothing may come again under these names
		"inbox", "outbox", // by rules of their own
		"subscription_event", // so that their numbers have no gap
	}, naming("purged-one"))
}
