package main

import (
	"context"
	"time"

	"fhirsvc/internal/sandbox/bedside"
)

// moment is something that is done when an episode has gone on for a while.
type moment struct {
	after time.Duration
	do    func(context.Context) error
}

// turned is a sandbox's clock that is turned to whatever is waited for.
type turned struct {
	client  *bedside.Client
	began   time.Time
	moments []moment // in order
}

func (c *turned) Now(ctx context.Context) (time.Time, error) { return c.client.Now(ctx) }

func (c *turned) Wait(ctx context.Context, at time.Time) error {
	if err := c.client.Turn(ctx, at); err != nil {
		return err
	}
	for len(c.moments) > 0 && at.Sub(c.began) >= c.moments[0].after {
		m := c.moments[0]
		c.moments = c.moments[1:]
		if err := m.do(ctx); err != nil {
			return err
		}
	}
	return nil
}
