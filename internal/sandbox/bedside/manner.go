package bedside

import (
	"context"
	"io"
	"time"
)

// Clock is the time by which people act. It never goes back.
type Clock interface {
	Now(ctx context.Context) (time.Time, error)
	// Wait returns when the clock shows at, or sooner when it is worth looking again.
	Wait(ctx context.Context, at time.Time) error
}

// Manner is how the people of a case act.
type Manner struct {
	Clock      Clock
	BleedAfter int                  // the release after which the site bleeds, 0: none
	Late       func() time.Duration // how late the nurse comes for a Task, drawn once for each; nil: never
	Afterwards bool                 // all is charted hours later: what the screen calls late hurries nobody
	Until      time.Time            // when to stop, ended or not; zero: at the end of the plan
	Out        io.Writer            // is told what happens
}

// Play plays a case against a running service until its plan is ended, or Until.
func (m Manner) Play(ctx context.Context, c *Client, x Case) error {
	p := &play{Manner: m, client: c, story: x, patient: newPatient(x.Volume, m.BleedAfter), late: map[string]time.Duration{}}
	if err := p.begin(ctx); err != nil {
		return err
	}
	for {
		done, err := p.turn(ctx)
		if done || err != nil {
			return err
		}
	}
}

// screenClock is the clock of a sandbox, which runs by itself or is turned by somebody.
type screenClock struct{ client *Client }

func (s screenClock) Now(ctx context.Context) (time.Time, error) { return s.client.Now(ctx) }

func (screenClock) Wait(ctx context.Context, _ time.Time) error {
	pause(ctx, poll)
	return ctx.Err()
}
