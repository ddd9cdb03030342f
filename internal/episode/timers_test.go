package episode

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/store"
)

// Time goes on and the Tasks with it; every state can be computed anew.
func TestTimePasses(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	b.wait(5 * time.Hour)
	require.NotEmpty(t, b.loaded(b.theEpisode()).core.Tasks)
	inputs, err := b.Store.Inputs(t.Context(), b.theEpisode())
	require.NoError(t, err)
	require.Greater(t, len(inputs), 5)
	for i, in := range inputs {
		require.EqualValues(t, i+1, in.Seq)
	}
	b.mustReplay(b.theEpisode())
}

func TestElapseBeforeItsTimeChangesNothing(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	version := b.loaded(b.theEpisode()).version
	require.NoError(t, b.Elapse(t.Context(), b.theEpisode(), b.Now()))
	require.Equal(t, version, b.loaded(b.theEpisode()).version)
}

func TestTimersRunUntilTheyAreStopped(t *testing.T) {
	b := newBench(t, nil)
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { defer close(done); NewTimers(b.Service, nil).Run(ctx) }()
	b.mustSend(newEvent())
	at, ok, err := b.Store.NextDue(t.Context())
	require.NoError(t, err)
	require.True(t, ok)
	b.set(at)
	require.Eventually(t, func() bool {
		next, ok, err := b.Store.NextDue(t.Context())
		return err == nil && (!ok || next.After(at))
	}, 5*time.Second, 5*time.Millisecond)
	cancel()
	<-done
	require.EqualValues(t, 2, b.loaded(b.theEpisode()).version)
}

// What is due before the next look wakes the timers; what is due later does not, or each finding
// would ask the database for due times.
func TestOnlyWhatIsDueSoonWakes(t *testing.T) {
	b := newBench(t, nil)
	for due, wakes := range map[time.Duration]bool{
		-time.Hour: true, 0: true, longestPoll - time.Millisecond: true, longestPoll: false, time.Hour: false,
	} {
		d := b.newDraft("")
		d.changes.Episodes = []store.EpisodeChange{{ID: "later", Due: b.Now().Add(24 * time.Hour)}, {ID: "none"}, {ID: "this", Due: b.Now().Add(due)}}
		b.wake(d)
		require.Equal(t, wakes, len(b.woken.c) == 1, due)
		for len(b.woken.c) > 0 {
			<-b.woken.c
		}
	}
}

// silent is a store that never answers the first claim.
type silent struct {
	store.Store
	claims atomic.Int64
}

func (s *silent) ClaimDue(ctx context.Context, c store.Claim) ([]store.Due, error) {
	if s.claims.Add(1) == 1 {
		<-ctx.Done()
		return nil, ctx.Err()
	}
	return s.Store.ClaimDue(ctx, c)
}

// A claim that is never answered, as on a connection that a gateway has forgotten, does not
// keep the timers from claiming again.
func TestTimersGoOnAfterAClaimWithoutAnAnswer(t *testing.T) {
	var mute *silent
	b := newBench(t, func(st store.Store) store.Store { mute = &silent{Store: st}; return mute })
	timers := NewTimers(b.Service, nil)
	timers.Lease = 100 * time.Millisecond
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { defer close(done); timers.Run(ctx) }()
	require.Eventually(t, func() bool { return mute.claims.Load() > 1 }, 5*time.Second, 5*time.Millisecond)
	cancel()
	<-done
}

// dueTogether has four plans that are all due, on a store that remembers what is asked of it.
func dueTogether(t *testing.T) (*bench, *asked) {
	t.Helper()
	var a *asked
	b := newBench(t, func(st store.Store) store.Store { a = &asked{Store: st}; return a })
	for i := range 4 {
		e := newEvent()
		e.message, e.procedure, e.patient = fmt.Sprintf("m%d", i), fmt.Sprintf("P-%d", i), fmt.Sprintf("%d", i)
		b.mustSend(e)
	}
	at, ok, err := b.Store.NextDue(t.Context())
	require.NoError(t, err)
	require.True(t, ok)
	b.set(at)
	a.calls = nil
	return b, a
}

// requireTold wants every plan told once.
func (b *bench) requireTold() {
	b.t.Helper()
	for _, plan := range b.all("CarePlan") {
		require.EqualValues(b.t, 2, b.loaded(plan.Episode).version)
		b.mustReplay(plan.Episode)
	}
}

func TestWhatIsDueIsReadTogether(t *testing.T) {
	b, a := dueTogether(t)
	n, err := NewTimers(b.Service, nil).fire(t.Context())
	require.NoError(t, err)
	require.Equal(t, 4, n)
	slices.Sort(a.calls)
	require.Equal(t, []string{"commit", "commit", "commit", "commit", "gather"}, a.calls)
	b.requireTold()
}

// One episode that can't be read keeps none of the others from being told.
func TestWhatIsDueIsReadSinglyWhenItCantBeReadTogether(t *testing.T) {
	b, a := dueTogether(t)
	a.deaf = true
	n, err := NewTimers(b.Service, nil).fire(t.Context())
	require.NoError(t, err)
	require.Equal(t, 4, n)
	require.Equal(t, 4, strings.Count(strings.Join(a.calls, " "), "load"))
	b.requireTold()
}

// What is charted between the reading and the telling is not lost, and the time is told after it.
func TestChartedWhileItsTimeIsTold(t *testing.T) {
	b, a := dueTogether(t)
	a.gathered = func() {
		a.gathered = nil
		_, err := b.observe(finding{patient: "2", code: "band-air-removed", value: millilitres("3"), at: b.Now()})
		require.NoError(t, err, issuesOf(err))
	}
	_, err := NewTimers(b.Service, nil).fire(t.Context())
	require.NoError(t, err)
	var charted int
	for _, plan := range b.all("CarePlan") {
		l := b.loaded(plan.Episode)
		if len(l.core.Findings) > 0 {
			charted++
		}
		require.False(t, l.due.IsZero())
		require.True(t, l.due.After(b.Now()), "nothing is left due")
		b.mustReplay(plan.Episode)
	}
	require.Equal(t, 1, charted)
}
