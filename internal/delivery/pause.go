package delivery

import (
	"context"
	"math/rand/v2"
	"time"
)

// pause waits for d, for a wake (nil: for none) or until ctx ends.
func pause(ctx context.Context, wake <-chan struct{}, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
	case <-wake:
	case <-ctx.Done():
	}
}

// backOff is the wait after so many failures in a row.
func backOff(failures int) time.Duration {
	return jitter(min(10*time.Second, 50*time.Millisecond<<min(failures, 16)))
}

// jitter gives between three quarters of d and all of it, so that relays spread.
func jitter(d time.Duration) time.Duration { return d - rand.N(d/4+1) }
