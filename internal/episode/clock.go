package episode

import (
	"context"
	"sync"
	"time"
)

// Timekeeper gives the clock that all replicas share.
type Timekeeper interface {
	Now(ctx context.Context) (time.Time, error)
}

// SharedClock is the store's clock, kept in this process: what it last said, and the time that
// has gone by since on the monotonic clock. A wall clock of this machine that is wrong or is
// set does not matter. It never goes back; where the store's did, it stands still until that
// has caught up. It is safe for concurrent use.
type SharedClock struct {
	keeper Timekeeper

	mu   sync.Mutex
	told time.Time // by the store
	at   time.Time // when, with a monotonic reading
	last time.Time // what was given last
}

// NewSharedClock asks the store once; its errors are the store's.
func NewSharedClock(ctx context.Context, k Timekeeper) (*SharedClock, error) {
	c := &SharedClock{keeper: k}
	return c, c.Sync(ctx)
}

// Sync asks the store again. After an error the clock goes on by itself.
func (c *SharedClock) Sync(ctx context.Context) error {
	now, err := c.keeper.Now(ctx)
	if err != nil {
		return err
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.told, c.at = now, time.Now()
	return nil
}

// Now gives the store's time, UTC.
func (c *SharedClock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	if now := c.told.Add(time.Since(c.at)); now.After(c.last) {
		c.last = now
	}
	return c.last
}
