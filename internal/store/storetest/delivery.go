package storetest

import (
	"context"
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
)

func deliveryTests() []contractTest {
	return []contractTest{
		{"delivery/queued for each destination, in order", queuedForEach},
		{"delivery/whole inputs alone", wholeInputs},
		{"delivery/what was before a destination is not its own", nothingBefore},
		{"delivery/copies", copiesKept},
		{"delivery/a failure waits, and others go on", deliveryFails},
		{"delivery/a destination that is away is asked by one", deliveryAway},
		{"delivery/refused, until the next change or a person", deliveryRefused},
		{"delivery/retry and drop", deliveryRetryDrop},
		{"delivery/a late holder settles nothing", lateDelivery},
		{"delivery/end of a destination", destinationEnds},
		{"delivery/backlogs", backlogs},
		{"delivery/delivered side by side", deliveredSideBySide},
	}
}

// toAll delivers every change; the number of its input stands in the message's subject.
func toAll(_ context.Context, changes []store.OutboxRow, _ []store.Subscription) (store.Matched, error) {
	var m store.Matched
	for _, c := range changes {
		d := store.Delivery{Seq: c.Seq, Episode: c.Episode, Type: "Task", ID: c.MessageID, Version: 1}
		if _, err := fmt.Sscanf(c.Subject, "change %d", &d.Change); err != nil {
			return m, err
		}
		m.Deliveries = append(m.Deliveries, d)
	}
	return m, nil
}

// commitChange commits one input of an episode with so many changed resources.
func commitChange(t require.TestingT, st store.Store, episode string, change, resources, partition int) {
	var rows []store.Outbox
	for i := range resources {
		m := message(episode, fmt.Sprintf("%s-%d-%d", episode, change, i), partition)
		m.Subject = fmt.Sprintf("change %d", change)
		rows = append(rows, m)
	}
	mustCommit(t, st, store.Changeset{Outbox: rows})
}

func addDestination(t *testing.T, st store.Store, name string) {
	t.Helper()
	require.NoError(t, st.AddDestination(t.Context(), name))
}

func claimDeliveries(t *testing.T, st store.Store, to string, limit int) []store.DeliveryClaim {
	t.Helper()
	claims, err := st.ClaimDeliveries(t.Context(), to, limit, time.Hour)
	require.NoError(t, err)
	return claims
}

// waiting gives what a claim has to deliver: the ids, and the places in the outbox.
func waiting(t *testing.T, st store.Store, c store.DeliveryClaim, limit int) (ids []string, seqs []int64) {
	t.Helper()
	all, err := st.WaitingDeliveries(t.Context(), c, limit)
	require.NoError(t, err)
	for _, d := range all {
		require.Equal(t, store.Delivery{Seq: d.Seq, Episode: c.Episode, Change: d.Change, Type: "Task", ID: d.ID, Version: 1}, d)
		ids, seqs = append(ids, d.ID), append(seqs, d.Seq)
	}
	return ids, seqs
}

func settleDelivery(t *testing.T, st store.Store, c store.DeliveryClaim, x store.DeliverySettlement) {
	t.Helper()
	require.NoError(t, st.SettleDelivery(t.Context(), c, x))
}

func deliveryQueues(t *testing.T, st store.Store) []store.DeliveryQueue {
	t.Helper()
	queues, err := st.DeliveryQueues(t.Context())
	require.NoError(t, err)
	return queues
}

func queuedForEach(t *testing.T, st store.Store) {
	addDestination(t, st, "ehr")
	addDestination(t, st, "archive")
	addDestination(t, st, "ehr")
	names, err := st.Destinations(t.Context())
	require.NoError(t, err)
	require.Equal(t, []string{"archive", "ehr"}, names)
	commitChange(t, st, "b", 1, 2, 5)
	commitChange(t, st, "a", 1, 1, 5)
	commitChange(t, st, "b", 2, 1, 5)
	require.Equal(t, 4, matchAll(t, st, toAll))
	for _, to := range names {
		claims := claimDeliveries(t, st, to, 9)
		require.Len(t, claims, 2)
		got := map[string][]string{}
		for _, c := range claims {
			require.Equal(t, store.DeliveryClaim{Destination: to, Episode: c.Episode, Token: c.Token}, c)
			ids, seqs := waiting(t, st, c, 9)
			got[c.Episode] = ids
			settleDelivery(t, st, c, store.DeliverySettlement{Sent: seqs})
		}
		require.Equal(t, map[string][]string{"a": {"a-1-0"}, "b": {"b-1-0", "b-1-1", "b-2-0"}}, got)
		require.Empty(t, claimDeliveries(t, st, to, 9), "nothing is left")
	}
	require.Empty(t, deliveryQueues(t, st))
	require.Empty(t, claimDeliveries(t, st, "nobody", 9))
}

func wholeInputs(t *testing.T, st store.Store) {
	addDestination(t, st, "ehr")
	commitChange(t, st, "e", 1, 2, 5)
	commitChange(t, st, "e", 2, 3, 5)
	n, err := st.MatchOutbox(t.Context(), 3, toAll)
	require.NoError(t, err)
	require.Equal(t, 3, n)
	c := claimDeliveries(t, st, "ehr", 1)[0]
	ids, seqs := waiting(t, st, c, 9)
	require.Equal(t, []string{"e-1-0", "e-1-1"}, ids, "of the second input one change is there and two are not")
	settleDelivery(t, st, c, store.DeliverySettlement{Sent: seqs})
	c = claimDeliveries(t, st, "ehr", 1)[0]
	ids, _ = waiting(t, st, c, 9)
	require.Empty(t, ids)
	matchAll(t, st, toAll)
	ids, _ = waiting(t, st, c, 1)
	require.Equal(t, []string{"e-2-0", "e-2-1", "e-2-2"}, ids, "at least one input, whatever the limit")
}

func nothingBefore(t *testing.T, st store.Store) {
	commitChange(t, st, "e", 1, 1, 5)
	matchAll(t, st, toAll)
	addDestination(t, st, "ehr")
	require.Empty(t, claimDeliveries(t, st, "ehr", 9))
	commitChange(t, st, "e", 2, 1, 5)
	matchAll(t, st, toAll)
	ids, _ := waiting(t, st, claimDeliveries(t, st, "ehr", 9)[0], 9)
	require.Equal(t, []string{"e-2-0"}, ids)
}

func copiesKept(t *testing.T, st store.Store) {
	addDestination(t, st, "ehr")
	addDestination(t, st, "archive")
	commitChange(t, st, "e", 1, 2, 5)
	matchAll(t, st, toAll)
	c := claimDeliveries(t, st, "ehr", 1)[0]
	_, seqs := waiting(t, st, c, 9)
	one := store.Copy{Type: "Task", ID: "t", Version: 3, RemoteID: "17", RemoteVersion: "2"}
	settleDelivery(t, st, c, store.DeliverySettlement{Sent: seqs[:1], Copies: []store.Copy{one, {Type: "Flag", ID: "t", Version: 1, Foreign: true}}})
	c = claimDeliveries(t, st, "ehr", 1)[0]
	two := store.Copy{Type: "Task", ID: "t", Version: 4, RemoteID: "17", RemoteVersion: "3"}
	settleDelivery(t, st, c, store.DeliverySettlement{Sent: seqs[1:], Copies: []store.Copy{two}})
	got, err := st.Copies(t.Context(), "ehr", []store.Copy{{Type: "Task", ID: "t"}, {Type: "Task", ID: "none"}})
	require.NoError(t, err)
	require.Equal(t, []store.Copy{two}, got)
	got, err = st.Copies(t.Context(), "archive", []store.Copy{{Type: "Task", ID: "t"}})
	require.NoError(t, err)
	require.Empty(t, got)
}

func deliveryFails(t *testing.T, st store.Store) {
	addDestination(t, st, "ehr")
	commitChange(t, st, "a", 1, 1, 5)
	commitChange(t, st, "b", 1, 1, 5)
	matchAll(t, st, toAll)
	claims := claimDeliveries(t, st, "ehr", 9)
	why := store.Refusal{Code: "timeout", Status: 504, Details: "no answer in time"}
	settleDelivery(t, st, claims[0], store.DeliverySettlement{Failed: true, Wait: 20 * time.Millisecond, Doubt: true, Why: why})
	_, seqs := waiting(t, st, claims[1], 9)
	settleDelivery(t, st, claims[1], store.DeliverySettlement{Sent: seqs})
	queues := deliveryQueues(t, st)
	require.Len(t, queues, 1)
	require.Equal(t, why, queues[0].Refusal)
	require.Equal(t, 1, queues[0].Attempts)
	require.Zero(t, queues[0].RefusedAt)
	var again []store.DeliveryClaim
	require.Eventually(t, func() bool { again = claimDeliveries(t, st, "ehr", 9); return len(again) > 0 }, 10*time.Second, 5*time.Millisecond)
	require.Equal(t, store.DeliveryClaim{
		Destination: "ehr", Episode: claims[0].Episode, Token: again[0].Token, Attempts: 1, Doubt: true, Others: true,
	}, again[0])
	settleDelivery(t, st, again[0], store.DeliverySettlement{Failed: true, Wait: time.Hour})
	commitChange(t, st, claims[0].Episode, 2, 1, 5)
	matchAll(t, st, toAll)
	require.Empty(t, claimDeliveries(t, st, "ehr", 9), "what is new does not shorten a wait")
}

func deliveryAway(t *testing.T, st store.Store) {
	addDestination(t, st, "ehr")
	addDestination(t, st, "archive")
	for _, e := range []string{"a", "b", "c"} {
		commitChange(t, st, e, 1, 1, 5)
	}
	matchAll(t, st, toAll)
	first := claimDeliveries(t, st, "ehr", 1)
	settleDelivery(t, st, first[0], store.DeliverySettlement{Failed: true, Away: true, Pause: 30 * time.Millisecond})
	require.Empty(t, claimDeliveries(t, st, "ehr", 9), "it is away")
	require.Len(t, claimDeliveries(t, st, "archive", 9), 3, "another is not")
	var probe []store.DeliveryClaim
	require.Eventually(t, func() bool { probe = claimDeliveries(t, st, "ehr", 9); return len(probe) > 0 }, 10*time.Second, 5*time.Millisecond)
	require.Len(t, probe, 1, "one asks whether it is back")
	require.Equal(t, 1, probe[0].Away)
	require.Empty(t, claimDeliveries(t, st, "ehr", 9), "the others wait for its answer")
	_, seqs := waiting(t, st, probe[0], 9)
	settleDelivery(t, st, probe[0], store.DeliverySettlement{Sent: seqs})
	require.Len(t, claimDeliveries(t, st, "ehr", 9), 2)
}

func deliveryRefused(t *testing.T, st store.Store) {
	addDestination(t, st, "ehr")
	commitChange(t, st, "a", 1, 1, 5)
	matchAll(t, st, toAll)
	c := claimDeliveries(t, st, "ehr", 1)[0]
	why := store.Refusal{Code: "invariant", Status: 422, Details: "refused", Diagnostics: "canary"}
	settleDelivery(t, st, c, store.DeliverySettlement{Refused: true, Why: why})
	require.Empty(t, claimDeliveries(t, st, "ehr", 9))
	queues := deliveryQueues(t, st)
	require.Len(t, queues, 1)
	require.WithinDuration(t, time.Now(), queues[0].RefusedAt, time.Minute)
	require.WithinDuration(t, time.Now(), queues[0].Oldest, time.Minute)
	require.Equal(t, why, queues[0].Refusal)
	require.Equal(t, 1, queues[0].Waiting)
	require.Equal(t, "a", queues[0].Episode)

	commitChange(t, st, "a", 2, 1, 5)
	matchAll(t, st, toAll)
	again := claimDeliveries(t, st, "ehr", 9)
	require.Len(t, again, 1, "with the next change all is tried again")
	ids, seqs := waiting(t, st, again[0], 9)
	require.Equal(t, []string{"a-1-0", "a-2-0"}, ids)
	settleDelivery(t, st, again[0], store.DeliverySettlement{Sent: seqs})
	require.Empty(t, deliveryQueues(t, st))
}

func deliveryRetryDrop(t *testing.T, st store.Store) {
	addDestination(t, st, "ehr")
	commitChange(t, st, "a", 1, 1, 5)
	matchAll(t, st, toAll)
	c := claimDeliveries(t, st, "ehr", 1)[0]
	settleDelivery(t, st, c, store.DeliverySettlement{Refused: true})
	number := deliveryQueues(t, st)[0].Number
	requireKind(t, st.RetryDelivery(t.Context(), "ehr", number+1, false), outcome.CodeNotFound)
	requireKind(t, st.DropDelivery(t.Context(), "archive", number), outcome.CodeNotFound)
	require.NoError(t, st.RetryDelivery(t.Context(), "ehr", number, true))
	again := claimDeliveries(t, st, "ehr", 9)
	require.Len(t, again, 1)
	require.True(t, again[0].Overwrite)
	settleDelivery(t, st, again[0], store.DeliverySettlement{Failed: true})
	again = claimDeliveries(t, st, "ehr", 9)
	require.True(t, again[0].Overwrite, "until it is decided")
	settleDelivery(t, st, again[0], store.DeliverySettlement{Refused: true})
	require.NoError(t, st.RetryDelivery(t.Context(), "ehr", number, false))
	again = claimDeliveries(t, st, "ehr", 9)
	require.False(t, again[0].Overwrite, "a leave counts once")
	require.NoError(t, st.DropDelivery(t.Context(), "ehr", number))
	require.Empty(t, deliveryQueues(t, st))
	requireKind(t, st.SettleDelivery(t.Context(), again[0], store.DeliverySettlement{}), outcome.CodeConflict)
	commitChange(t, st, "a", 2, 1, 5)
	matchAll(t, st, toAll)
	ids, _ := waiting(t, st, claimDeliveries(t, st, "ehr", 9)[0], 9)
	require.Equal(t, []string{"a-2-0"}, ids, "later changes are delivered")
}

func lateDelivery(t *testing.T, st store.Store) {
	addDestination(t, st, "ehr")
	commitChange(t, st, "a", 1, 1, 5)
	matchAll(t, st, toAll)
	claims, err := st.ClaimDeliveries(t.Context(), "ehr", 9, 20*time.Millisecond)
	require.NoError(t, err)
	late := claims[0]
	var now []store.DeliveryClaim
	require.Eventually(t, func() bool { now = claimDeliveries(t, st, "ehr", 9); return len(now) > 0 }, 10*time.Second, 5*time.Millisecond)
	require.True(t, now[0].Doubt, "nobody knows how it ended")
	ids, _ := waiting(t, st, late, 9)
	require.Empty(t, ids)
	requireKind(t, st.SettleDelivery(t.Context(), late, store.DeliverySettlement{Refused: true}), outcome.CodeConflict)
	_, seqs := waiting(t, st, now[0], 9)
	settleDelivery(t, st, now[0], store.DeliverySettlement{Sent: seqs})
	requireKind(t, st.SettleDelivery(t.Context(), now[0], store.DeliverySettlement{}), outcome.CodeConflict)
}

func destinationEnds(t *testing.T, st store.Store) {
	requireKind(t, st.EndDestination(t.Context(), "ehr"), outcome.CodeNotFound)
	addDestination(t, st, "ehr")
	commitChange(t, st, "a", 1, 2, 5)
	matchAll(t, st, toAll)
	c := claimDeliveries(t, st, "ehr", 1)[0]
	_, seqs := waiting(t, st, c, 9)
	settleDelivery(t, st, c, store.DeliverySettlement{Sent: seqs[:1], Copies: []store.Copy{{Type: "Task", ID: "t", Version: 1}}})
	require.NoError(t, st.EndDestination(t.Context(), "ehr"))
	addDestination(t, st, "ehr")
	require.Empty(t, claimDeliveries(t, st, "ehr", 9))
	require.Empty(t, deliveryQueues(t, st))
	copies, err := st.Copies(t.Context(), "ehr", []store.Copy{{Type: "Task", ID: "t"}})
	require.NoError(t, err)
	require.Empty(t, copies)
}

func backlogs(t *testing.T, st store.Store) {
	addDestination(t, st, "ehr")
	addDestination(t, st, "archive")
	got := func() (waiting, refused []int) {
		all, err := st.Backlogs(t.Context())
		require.NoError(t, err)
		var names []string
		for _, b := range all {
			names, waiting, refused = append(names, b.Destination), append(waiting, b.Waiting), append(refused, b.Refused)
			if b.Waiting == 0 {
				require.Zero(t, b.Oldest)
			} else {
				require.WithinDuration(t, time.Now(), b.Oldest, time.Minute)
			}
		}
		require.Equal(t, []string{store.JetStream, "archive", "ehr"}, names)
		return waiting, refused
	}
	w, r := got()
	require.Equal(t, []int{0, 0, 0}, w)
	require.Equal(t, []int{0, 0, 0}, r)
	commitChange(t, st, "a", 1, 2, 5)
	matchAll(t, st, toAll)
	w, _ = got()
	require.Equal(t, []int{2, 2, 2}, w)
	c := claimDeliveries(t, st, "ehr", 1)[0]
	_, seqs := waiting(t, st, c, 9)
	settleDelivery(t, st, c, store.DeliverySettlement{Sent: seqs})
	c = claimDeliveries(t, st, "archive", 1)[0]
	settleDelivery(t, st, c, store.DeliverySettlement{Refused: true})
	w, r = got()
	require.Equal(t, []int{2, 2, 0}, w)
	require.Equal(t, []int{0, 1, 0}, r)
}

// deliveredSideBySide has committers, matchers and carriers race: each destination gets each
// change, those of an episode in order, and no queue is lost between the last one taken and
// the next one put in.
func deliveredSideBySide(t *testing.T, st store.Store) {
	const episodes, each = 4, 25
	addDestination(t, st, "ehr")
	var mu sync.Mutex
	got := map[string][]string{}
	var workers sync.WaitGroup
	done, fail := failing(t)
	for e := range episodes {
		workers.Go(func() {
			for i := range each {
				commitChange(t, st, fmt.Sprintf("e%d", e), i+1, 2, e)
			}
		})
	}
	count := func() int {
		mu.Lock()
		defer mu.Unlock()
		n := 0
		for _, ids := range got {
			n += len(ids)
		}
		return n
	}
	carry := func() error {
		if _, err := st.MatchOutbox(t.Context(), 3, toAll); err != nil {
			return err
		}
		claims, err := st.ClaimDeliveries(t.Context(), "ehr", 2, time.Hour)
		for _, c := range claims {
			all, err := st.WaitingDeliveries(t.Context(), c, 5)
			if err != nil {
				return err
			}
			var seqs []int64
			mu.Lock()
			for _, d := range all {
				got[c.Episode], seqs = append(got[c.Episode], d.ID), append(seqs, d.Seq)
			}
			mu.Unlock()
			if err := st.SettleDelivery(t.Context(), c, store.DeliverySettlement{Sent: seqs}); err != nil {
				return err
			}
		}
		return err
	}
	for range 3 {
		workers.Go(func() {
			for count() < episodes*each*2 && !done() {
				if err := carry(); err != nil {
					fail(err)
				}
			}
		})
	}
	workers.Wait()
	for e := range episodes {
		var want []string
		for i := range each {
			want = append(want, fmt.Sprintf("e%d-%d-0", e, i+1), fmt.Sprintf("e%d-%d-1", e, i+1))
		}
		require.Equal(t, want, got[fmt.Sprintf("e%d", e)])
	}
}

// failing tells goroutines of the first error, and of the end of patience.
func failing(t *testing.T) (done func() bool, fail func(error)) {
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	t.Cleanup(cancel)
	return func() bool { return ctx.Err() != nil }, func(err error) {
		t.Errorf("side by side: %v", err)
		cancel()
	}
}
