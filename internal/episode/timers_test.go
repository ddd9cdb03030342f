package episode

import (
	"context"
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
