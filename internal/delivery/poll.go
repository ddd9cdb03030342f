package delivery

import (
	"context"
	"time"
)

// poll makes rounds until ctx ends: at once while there is something to do, after idle or a
// wake while there is nothing, and ever more seldom while a round fails, of which failed is
// told.
func poll(ctx context.Context, wake <-chan struct{}, idle time.Duration, round func(context.Context) (int, error), failed func(attempt int, err error)) {
	failures := 0
	for ctx.Err() == nil {
		n, err := round(ctx)
		switch {
		case err != nil && ctx.Err() == nil:
			failures++
			failed(failures, err)
			pause(ctx, nil, backOff(failures))
		case n == 0:
			failures = 0
			pause(ctx, wake, jitter(idle))
		}
	}
}
