package site

import (
	"context"
	"hash/fnv"
	"math/rand/v2"
	"sync"
	"time"
)

// dice are what somebody's chance is drawn from: each has dice of their own, so that what
// one draws does not depend on how fast the others are.
type dice struct {
	mu  sync.Mutex
	rng *rand.Rand
}

func newDice(seed uint64, who string) *dice {
	h := fnv.New64a()
	_, _ = h.Write([]byte(who)) // a hash takes everything
	return &dice{rng: rand.New(rand.NewPCG(seed, h.Sum64()))}
}

func (d *dice) n(n int) int {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.rng.IntN(n)
}

// one is true once in so many.
func (d *dice) one(in int) bool { return d.n(in) == 0 }

// between draws a duration.
func (d *dice) between(least, most time.Duration) time.Duration {
	return least + time.Duration(d.n(int(most-least)+1))
}

// nap waits up to so long.
func (d *dice) nap(ctx context.Context, most time.Duration) { pause(ctx, d.between(0, most)) }

func pause(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
	case <-t.C:
	}
}
