package storetest

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
)

func subscriptionTests() []contractTest {
	return []contractTest{
		{"subscription/queue", subscriptionQueue},
		{"subscription/matched once, in order", matchedOnce},
		{"subscription/a failed match matches nothing", failedMatch},
		{"subscription/what was before it is not its event", nothingFromBefore},
		{"subscription/what nobody heard is told to nobody", nothingUnheard},
		{"subscription/sent before it is matched", sentFirst},
		{"subscription/matched side by side", matchedSideBySide},
		{"subscription/claim and settle", claimAndSettle},
		{"subscription/failures wait", failuresWait},
		{"subscription/slow ones leave room", slowLeaveRoom},
		{"subscription/a late holder settles nothing", lateSettler},
		{"subscription/heartbeat and end", heartbeatAndEnd},
		{"subscription/a new version starts anew", startsAnew},
		{"subscription/claimed once", claimedOnce},
		{"subscription/events are forgotten", eventsForgotten},
	}
}

// queue is a Subscription with every field set.
func queue(id, status string) store.Subscription {
	return store.Subscription{
		ID: id, Version: 1, Status: status, Owner: "screen", Units: []string{"u|1", "u|2"}, Lease: 15 * time.Second,
	}
}

// putQueue commits the version n of a Subscription with its queue.
func putQueue(t require.TestingT, st store.Store, n int64, q store.Subscription) {
	q.Version = n
	mustCommit(t, st, store.Changeset{
		Resources:     []store.Resource{version("Subscription", q.ID, n)},
		Subscriptions: []store.Subscription{q},
	})
}

func mustSubscription(t *testing.T, st store.Store, id string) store.Subscription {
	t.Helper()
	q, err := st.Subscription(t.Context(), id)
	require.NoError(t, err)
	return q
}

// everyone tells every live Subscription of every change.
func everyone(_ context.Context, changes []store.OutboxRow, live []store.Subscription) (store.Matched, error) {
	var events []store.SubscriptionEvent
	for _, c := range changes {
		for _, q := range live {
			events = append(events, store.SubscriptionEvent{Subscription: q.ID, Type: "Task", ID: c.MessageID, Version: 1, At: at(1)})
		}
	}
	return store.Matched{Events: events}, nil
}

// matchAll matches until nothing is left and gives the number of changes.
func matchAll(t *testing.T, st store.Store, match store.Matcher) int {
	t.Helper()
	all := 0
	for {
		n, err := st.MatchOutbox(t.Context(), 3, match)
		require.NoError(t, err)
		if all += n; n == 0 {
			return all
		}
	}
}

// told gives the events of a Subscription, and checks that their numbers have no gap.
func told(t *testing.T, st store.Store, id string) []string {
	t.Helper()
	events, err := st.SubscriptionEvents(t.Context(), id, 1, 1<<40, 10_000)
	require.NoError(t, err)
	var ids []string
	for i, e := range events {
		require.Equal(t, store.SubscriptionEvent{Subscription: id, Number: int64(i + 1), Type: "Task", ID: e.ID, Version: 1, At: at(1)}, e)
		ids = append(ids, e.ID)
	}
	require.Equal(t, int64(len(ids)), mustSubscription(t, st, id).Events)
	return ids
}

func mustClaimSubscriptions(t *testing.T, st store.Store, now time.Time, fast, slow int) []store.SubscriptionClaim {
	t.Helper()
	claims, err := st.ClaimSubscriptions(t.Context(), now, fast, slow)
	require.NoError(t, err)
	return claims
}

func settle(t *testing.T, st store.Store, now time.Time, c store.SubscriptionClaim, x store.Settlement) {
	t.Helper()
	require.NoError(t, st.SettleSubscription(t.Context(), now, c, x))
}

// soon is an instant at which what was committed just now is due. Real clocks put it
// there, so tests turn theirs on from it.
func soon() time.Time { return time.Now().Add(time.Minute).UTC().Truncate(time.Microsecond) }

func subscriptionQueue(t *testing.T, st store.Store) {
	_, err := st.Subscription(t.Context(), "s")
	requireKind(t, err, outcome.CodeNotFound)
	want := queue("s", "requested")
	want.Heartbeat, want.End = time.Hour, at(90)
	putQueue(t, st, 1, want)
	require.Equal(t, want, mustSubscription(t, st, "s"))
	all := queue("a", "active")
	all.Units, all.All = []string{}, true
	putQueue(t, st, 1, all)
	require.Equal(t, all, mustSubscription(t, st, "a"))
	stale := store.Changeset{Resources: []store.Resource{version("Subscription", "s", 1)}, Subscriptions: []store.Subscription{queue("s", "off")}}
	require.Equal(t, store.Conflict, only(t, st, stale).Status)
	require.Equal(t, want, mustSubscription(t, st, "s"), "a conflict changes no queue")
}

func matchedOnce(t *testing.T, st store.Store) {
	putQueue(t, st, 1, queue("active", "active"))
	putQueue(t, st, 1, queue("failed", "error"))
	putQueue(t, st, 1, queue("new", "requested"))
	putQueue(t, st, 1, queue("over", "off"))
	var want []string
	for i := range 10 {
		id := fmt.Sprintf("m%02d", i)
		want = append(want, id)
		mustCommit(t, st, store.Changeset{Outbox: []store.Outbox{message("e", id, 5)}})
	}
	require.Equal(t, 10, matchAll(t, st, everyone))
	require.Equal(t, 0, matchAll(t, st, everyone), "once and for all")
	for _, id := range []string{"active", "failed", "new"} {
		require.Equal(t, want, told(t, st, id), "events are counted in every live status: %s", id)
	}
	require.Empty(t, told(t, st, "over"))
	l := mustLease(t, st, "relay", 1, time.Hour)
	require.Len(t, l, 1, "matching leaves the rows to the relay")
	some, err := st.SubscriptionEvents(t.Context(), "active", 4, 9, 3)
	require.NoError(t, err)
	require.Equal(t, []int64{4, 5, 6}, []int64{some[0].Number, some[1].Number, some[2].Number})
}

func failedMatch(t *testing.T, st store.Store) {
	putQueue(t, st, 1, queue("s", "active"))
	mustCommit(t, st, store.Changeset{Outbox: []store.Outbox{message("e", "m1", 5)}})
	_, err := st.MatchOutbox(t.Context(), 9, func(ctx context.Context, c []store.OutboxRow, l []store.Subscription) (store.Matched, error) {
		matched, _ := everyone(ctx, c, l)
		return matched, errors.New("power cut")
	})
	require.ErrorContains(t, err, "power cut")
	require.Empty(t, told(t, st, "s"))
	require.Equal(t, 1, matchAll(t, st, everyone))
	require.Equal(t, []string{"m1"}, told(t, st, "s"))
}

func nothingFromBefore(t *testing.T, st store.Store) {
	mustCommit(t, st, store.Changeset{Outbox: []store.Outbox{message("e", "before", 5)}})
	require.Equal(t, 1, matchAll(t, st, func(context.Context, []store.OutboxRow, []store.Subscription) (store.Matched, error) {
		return store.Matched{}, errors.New("nobody is there to be told")
	}))
	putQueue(t, st, 1, queue("s", "active"))
	mustCommit(t, st, store.Changeset{Outbox: []store.Outbox{message("e", "after", 5)}})
	matchAll(t, st, everyone)
	require.Equal(t, []string{"after"}, told(t, st, "s"))
}

// nothingUnheard makes changes that are neither matched nor sent when the first Subscription comes, and
// when one comes after all have ended.
func nothingUnheard(t *testing.T, st store.Store) {
	change := func(id string) { mustCommit(t, st, store.Changeset{Outbox: []store.Outbox{message("e", id, 5)}}) }
	change("before")
	putQueue(t, st, 1, queue("s", "requested"))
	change("while")
	putQueue(t, st, 1, queue("t", "active"))
	require.Equal(t, 1, matchAll(t, st, everyone))
	for _, id := range []string{"s", "t"} {
		putQueue(t, st, 2, queue(id, "off"))
	}
	change("between")
	putQueue(t, st, 1, queue("over", "off"))
	putQueue(t, st, 1, queue("u", "error"))
	change("after")
	require.Equal(t, 1, matchAll(t, st, everyone))
	require.Equal(t, []string{"while"}, told(t, st, "s"))
	require.Equal(t, []string{"after"}, told(t, st, "u"))
	unsent, err := st.Unsettled(t.Context())
	require.NoError(t, err)
	require.Equal(t, 4, unsent, "matching leaves the rows to the relay")
}

// sentFirst sends changes before they are matched, with and without somebody to be told.
func sentFirst(t *testing.T, st store.Store) {
	mustCommit(t, st, store.Changeset{Outbox: []store.Outbox{message("e", "before", 5)}})
	sendAll(t, st)
	matchAll(t, st, everyone)
	putQueue(t, st, 1, queue("s", "active"))
	mustCommit(t, st, store.Changeset{Outbox: []store.Outbox{message("e", "while", 5)}})
	sendAll(t, st)
	putQueue(t, st, 1, queue("t", "error"))
	putQueue(t, st, 2, queue("s", "off"))
	mustCommit(t, st, store.Changeset{Outbox: []store.Outbox{message("e", "too", 5)}})
	sendAll(t, st)
	matchAll(t, st, everyone)
	require.Equal(t, []string{"while", "too"}, told(t, st, "t"), "of all that was not matched when it began to listen")
}

// matchedSideBySide has matchers race while others commit: each Subscription is told of
// each change once, and of those of one episode in order.
func matchedSideBySide(t *testing.T, st store.Store) {
	const episodes, each, queues = 6, 20, 4
	for i := range queues {
		putQueue(t, st, 1, queue(fmt.Sprintf("s%d", i), "active"))
	}
	var committers, matchers sync.WaitGroup
	var mu sync.Mutex
	var failed error
	fail := func(err error) {
		mu.Lock()
		defer mu.Unlock()
		failed = cmpOr(failed, err)
	}
	for e := range episodes {
		committers.Go(func() {
			for i := range each {
				m := message(fmt.Sprintf("e%d", e), fmt.Sprintf("e%d-%02d", e, i), e)
				if _, err := st.Commit(t.Context(), []store.Changeset{{Outbox: []store.Outbox{m}}}); err != nil {
					fail(err)
				}
			}
		})
	}
	done := make(chan struct{})
	for range 3 {
		matchers.Go(func() {
			for last := false; !last; {
				select {
				case <-done:
					last = true
				default:
				}
				for n := 1; n > 0; {
					var err error
					if n, err = st.MatchOutbox(t.Context(), 5, everyone); err != nil {
						fail(err)
						return
					}
				}
			}
		})
	}
	committers.Wait()
	close(done)
	matchers.Wait()
	require.NoError(t, failed)
	matchAll(t, st, everyone)
	for i := range queues {
		ids := told(t, st, fmt.Sprintf("s%d", i))
		require.Len(t, ids, episodes*each)
		for e := range episodes {
			of := slices.DeleteFunc(slices.Clone(ids), func(id string) bool { return id[:2] != fmt.Sprintf("e%d", e) })
			require.True(t, slices.IsSorted(of), "%v", of)
			require.Len(t, of, each)
		}
	}
}

func cmpOr(a, b error) error {
	if a != nil {
		return a
	}
	return b
}

func claimAndSettle(t *testing.T, st store.Store) {
	now := soon()
	putQueue(t, st, 1, queue("s", "active"))
	c := mustClaimSubscriptions(t, st, now, 9, 9)
	require.Len(t, c, 1)
	want := queue("s", "active")
	require.Equal(t, store.SubscriptionClaim{Subscription: want, Fence: 1}, c[0])
	require.Empty(t, mustClaimSubscriptions(t, st, now.Add(14*time.Second), 9, 9), "leased")
	settle(t, st, now, c[0], store.Settlement{})
	require.Empty(t, mustClaimSubscriptions(t, st, now.Add(time.Hour), 9, 9), "there is nothing to tell")

	mustCommit(t, st, store.Changeset{Outbox: []store.Outbox{message("e", "m1", 5), message("e", "m2", 5)}})
	matchAll(t, st, everyone)
	c = mustClaimSubscriptions(t, st, now, 9, 9)
	require.Len(t, c, 1)
	require.Equal(t, int64(2), c[0].Events)
	settle(t, st, now, c[0], store.Settlement{Sent: 1})
	c = mustClaimSubscriptions(t, st, now, 9, 9)
	require.Len(t, c, 1, "another is waiting, at once")
	require.Equal(t, int64(1), c[0].Sent)
	mustCommit(t, st, store.Changeset{Outbox: []store.Outbox{message("e", "m3", 5)}})
	matchAll(t, st, everyone)
	settle(t, st, now, c[0], store.Settlement{Sent: 2})
	c = mustClaimSubscriptions(t, st, now, 9, 9)
	require.Len(t, c, 1, "what came meanwhile is not forgotten")
	settle(t, st, now, c[0], store.Settlement{Sent: 3})
	require.Empty(t, mustClaimSubscriptions(t, st, now.Add(time.Hour), 9, 9))
	require.Equal(t, int64(3), mustSubscription(t, st, "s").Sent)

	for _, status := range []string{"error", "off"} {
		putQueue(t, st, 1, queue(status, status))
		require.Empty(t, mustClaimSubscriptions(t, st, now.Add(time.Hour), 9, 9), status)
	}
}

func failuresWait(t *testing.T, st store.Store) {
	now := soon()
	putQueue(t, st, 1, queue("s", "active"))
	c := mustClaimSubscriptions(t, st, now, 9, 9)
	settle(t, st, now, c[0], store.Settlement{Failed: true, Wait: time.Minute})
	mustCommit(t, st, store.Changeset{Outbox: []store.Outbox{message("e", "m1", 5)}})
	matchAll(t, st, everyone)
	require.Empty(t, mustClaimSubscriptions(t, st, now.Add(59*time.Second), 9, 9), "an event shortens no wait")
	later := now.Add(60 * time.Second)
	c = mustClaimSubscriptions(t, st, later, 9, 9)
	require.Len(t, c, 1)
	require.Equal(t, 1, c[0].Attempts)
	require.Equal(t, time.Minute, c[0].Failing)
	settle(t, st, later, c[0], store.Settlement{Failed: true, Wait: time.Hour})
	c = mustClaimSubscriptions(t, st, later.Add(time.Hour), 9, 9)
	require.Equal(t, 2, c[0].Attempts)
	require.Equal(t, 61*time.Minute, c[0].Failing, "since the first")
	settle(t, st, later.Add(time.Hour), c[0], store.Settlement{Sent: 1})
	mustCommit(t, st, store.Changeset{Outbox: []store.Outbox{message("e", "m2", 5)}})
	matchAll(t, st, everyone)
	c = mustClaimSubscriptions(t, st, later.Add(time.Hour), 9, 9)
	require.Zero(t, c[0].Attempts)
	require.Zero(t, c[0].Failing)
}

func slowLeaveRoom(t *testing.T, st store.Store) {
	now := soon()
	for _, id := range []string{"a", "b", "c", "d"} {
		putQueue(t, st, 1, queue(id, "active"))
	}
	for _, c := range mustClaimSubscriptions(t, st, now, 9, 9) {
		settle(t, st, now, c, store.Settlement{Slow: c.ID < "c"})
	}
	mustCommit(t, st, store.Changeset{Outbox: []store.Outbox{message("e", "m1", 5)}})
	matchAll(t, st, everyone)
	ids := func(fast, slow int) []string {
		var got []string
		for _, c := range mustClaimSubscriptions(t, st, now, fast, slow) {
			got = append(got, c.ID)
		}
		return got
	}
	require.Empty(t, ids(0, 0))
	require.Equal(t, []string{"c"}, ids(1, 0))
	require.Equal(t, []string{"d", "a"}, ids(9, 1))
	require.Equal(t, []string{"b"}, ids(9, 9))
}

func lateSettler(t *testing.T, st store.Store) {
	now := soon()
	putQueue(t, st, 1, queue("s", "active"))
	late := mustClaimSubscriptions(t, st, now, 9, 9)[0]
	c := mustClaimSubscriptions(t, st, now.Add(15*time.Second), 9, 9)
	require.Len(t, c, 1, "a lease ends by itself")
	require.Greater(t, c[0].Fence, late.Fence)
	requireKind(t, st.SettleSubscription(t.Context(), now, late, store.Settlement{Sent: 7}), outcome.CodeConflict)
	require.Zero(t, mustSubscription(t, st, "s").Sent)
	settle(t, st, now, c[0], store.Settlement{})
}

func heartbeatAndEnd(t *testing.T, st store.Store) {
	now := soon()
	beating := queue("b", "active")
	beating.Heartbeat = time.Hour
	putQueue(t, st, 1, beating)
	ending := queue("e", "error") // also one that is not sent to any more
	ending.End = now.Add(2 * time.Hour)
	putQueue(t, st, 1, ending)
	c := mustClaimSubscriptions(t, st, now, 9, 9)
	require.Len(t, c, 1)
	settle(t, st, now, c[0], store.Settlement{})
	require.Empty(t, mustClaimSubscriptions(t, st, now.Add(time.Hour-time.Second), 9, 9))
	c = mustClaimSubscriptions(t, st, now.Add(time.Hour), 9, 9)
	require.Len(t, c, 1)
	require.False(t, c[0].Ended)
	settle(t, st, now.Add(90*time.Minute), c[0], store.Settlement{})
	c = mustClaimSubscriptions(t, st, now.Add(2*time.Hour), 9, 9)
	require.Len(t, c, 1)
	require.Equal(t, "e", c[0].ID)
	require.True(t, c[0].Ended)
	ending.Status = "off"
	putQueue(t, st, 2, ending)
	settle(t, st, now.Add(2*time.Hour), c[0], store.Settlement{})
	require.Empty(t, mustClaimSubscriptions(t, st, now.Add(2*time.Hour), 9, 9))
}

func startsAnew(t *testing.T, st store.Store) {
	now := soon()
	putQueue(t, st, 1, queue("s", "active"))
	mustCommit(t, st, store.Changeset{Outbox: []store.Outbox{message("e", "m1", 5), message("e", "m2", 5)}})
	matchAll(t, st, everyone)
	c := mustClaimSubscriptions(t, st, now, 9, 9)[0]
	settle(t, st, now, c, store.Settlement{Sent: 1})
	c = mustClaimSubscriptions(t, st, now, 9, 9)[0]
	settle(t, st, now, c, store.Settlement{Failed: true, Wait: time.Hour})
	again := queue("s", "requested")
	again.Owner, again.Units = "other", []string{"u|3"}
	putQueue(t, st, 2, again)
	claims := mustClaimSubscriptions(t, st, now, 9, 9)
	require.Len(t, claims, 1, "at once")
	again.Events, again.Sent, again.Version = 2, 1, 2
	require.Equal(t, again, claims[0].Subscription, "numbers go on")
	require.Zero(t, claims[0].Attempts)
	again.Status = "active"
	putQueue(t, st, 3, again)
	require.Empty(t, mustClaimSubscriptions(t, st, now, 9, 9), "the claim lives")
	settle(t, st, now, claims[0], store.Settlement{})
	require.Len(t, mustClaimSubscriptions(t, st, now, 9, 9), 1, "the second event waits")
}

// claimedOnce has claimers race.
func claimedOnce(t *testing.T, st store.Store) {
	const n = 60
	for i := range n {
		putQueue(t, st, 1, queue(fmt.Sprintf("s%02d", i), "active"))
	}
	now := soon()
	var mu sync.Mutex
	var wg sync.WaitGroup
	claims := map[string]int{}
	var failed error
	for range 4 {
		wg.Go(func() {
			for range n {
				got, err := st.ClaimSubscriptions(t.Context(), now, 2, 0)
				mu.Lock()
				failed = cmpOr(failed, err)
				for _, c := range got {
					claims[c.ID]++
				}
				mu.Unlock()
			}
		})
	}
	wg.Wait()
	require.NoError(t, failed)
	require.Len(t, claims, n)
	for id, times := range claims {
		require.Equal(t, 1, times, id)
	}
}

func eventsForgotten(t *testing.T, st store.Store) {
	putQueue(t, st, 1, queue("s", "active"))
	mustCommit(t, st, store.Changeset{Outbox: []store.Outbox{message("e", "m1", 5), message("e", "m2", 5)}})
	matchAll(t, st, everyone)
	n, err := st.ForgetEvents(t.Context(), time.Now().Add(-time.Hour))
	require.NoError(t, err)
	require.Zero(t, n)
	n, err = st.ForgetEvents(t.Context(), time.Now().Add(time.Hour))
	require.NoError(t, err)
	require.Equal(t, 2, n)
	events, err := st.SubscriptionEvents(t.Context(), "s", 1, 9, 9)
	require.NoError(t, err)
	require.Empty(t, events)
	require.Equal(t, int64(2), mustSubscription(t, st, "s").Events, "what was counted is counted")
}
