package load

import (
	"context"
	"time"

	"fhirsvc/internal/sandbox/bedside"
)

// before is how long ago a case begins whose hours are charted afterwards: longer than one takes.
const before = 12 * time.Hour

// clock runs at a speed from an instant. It waits without asking anybody.
type clock struct {
	from  time.Time
	began time.Time
	speed int
}

func (c clock) Now(context.Context) (time.Time, error) {
	return c.from.Add(time.Since(c.began) * time.Duration(c.speed)).UTC(), nil
}

func (c clock) Wait(ctx context.Context, at time.Time) error {
	now, _ := c.Now(ctx)
	t := time.NewTimer(max(at.Sub(now)/time.Duration(c.speed), time.Millisecond))
	defer t.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-t.C:
		return nil
	}
}

// clockOf gives the clock by which a service's people act. A sandbox has one that can be
// asked: they act as it runs. Where there is none the service goes by the time of day, and a
// case would take hours: then its hours lie behind and are charted afterwards, one in each Hour.
func clockOf(ctx context.Context, client *bedside.Client, hour time.Duration) (next func() clock, afterwards bool) {
	const look = 300 * time.Millisecond
	first, err := client.Now(ctx)
	began := time.Now()
	if err != nil {
		return func() clock {
			return clock{from: time.Now().Add(-before), began: time.Now(), speed: max(int(time.Hour/hour), 1)}
		}, true
	}
	time.Sleep(look)
	second, err := client.Now(ctx)
	took := time.Since(began)
	speed := 1
	if err == nil {
		speed = max(int((second.Sub(first)+took/2)/took), 1)
	}
	return func() clock { return clock{from: first, began: began, speed: speed} }, false
}
