package events

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// What eight replicas may have in hand together is what the consumer gives out.
func TestHowManyAtOnce(t *testing.T) {
	t.Parallel()
	require.Equal(t, maxAckPending, 8*IntakeOptions{}.withDefaults().Parallel)
}

// A delay doubles up to the longest, and half of it is chance: who failed together must not come
// back together (common practice).
func TestBackoff(t *testing.T) {
	t.Parallel()
	b := backoff{first: time.Second, most: time.Minute}
	for attempt, most := range map[uint64]time.Duration{
		0: time.Second, 1: time.Second, 2: 2 * time.Second, 6: 32 * time.Second, 7: time.Minute, 100: time.Minute, math.MaxUint64: time.Minute,
	} {
		drawn := map[time.Duration]bool{}
		for range 100 {
			d := b.delay(attempt)
			require.GreaterOrEqual(t, d, most/2, attempt)
			require.LessOrEqual(t, d, most, attempt)
			drawn[d] = true
		}
		require.Greater(t, len(drawn), 50, "they spread")
	}
	require.LessOrEqual(t, backoff{first: time.Minute, most: time.Second}.delay(1), time.Second)
}
