package events

import (
	"math/rand/v2"
	"time"
)

// backoff is a delay that doubles with every attempt from first to most.
type backoff struct{ first, most time.Duration }

// delay gives the wait after the given attempt, counted from 1: between half of the
// doubled delay and all of it, so that many waiters don't come back at the same time.
func (b backoff) delay(attempt uint64) time.Duration {
	d := b.first
	for ; attempt > 1 && d < b.most; attempt-- {
		d *= 2
	}
	d = min(d, b.most)
	return d/2 + rand.N(d/2+1)
}
