package episode

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
)

// keeper is a store's clock that can be set.
type keeper struct {
	ahead time.Duration
	away  bool
}

func (k *keeper) Now(context.Context) (time.Time, error) {
	if k.away {
		return time.Time{}, errors.New("away")
	}
	return time.Now().UTC().Add(k.ahead), nil
}

// A replica goes by the store's clock, however its own is set, and time never goes back.
func TestSharedClock(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		begin := time.Now().UTC()
		k := &keeper{ahead: -2 * time.Hour}
		c, err := NewSharedClock(t.Context(), k)
		require.NoError(t, err)
		require.Equal(t, begin.Add(-2*time.Hour), c.Now())

		time.Sleep(time.Minute)
		require.Equal(t, begin.Add(-2*time.Hour+time.Minute), c.Now(), "it goes on between two looks")

		k.away = true
		require.Error(t, c.Sync(t.Context()))
		time.Sleep(time.Minute)
		require.Equal(t, begin.Add(-2*time.Hour+2*time.Minute), c.Now(), "and while the store is away")

		k.away, k.ahead = false, -3*time.Hour
		require.NoError(t, c.Sync(t.Context()))
		require.Equal(t, begin.Add(-2*time.Hour+2*time.Minute), c.Now(), "it stands where the store's went back")
		time.Sleep(time.Hour + time.Minute)
		require.Equal(t, begin.Add(-2*time.Hour+3*time.Minute), c.Now(), "until that has caught up")

		k.ahead = time.Hour
		require.NoError(t, c.Sync(t.Context()))
		require.Equal(t, begin.Add(time.Hour+time.Hour+3*time.Minute), c.Now())
	})
}

func TestSharedClockNeedsTheStoreOnce(t *testing.T) {
	_, err := NewSharedClock(t.Context(), &keeper{away: true})
	require.Error(t, err)
}
