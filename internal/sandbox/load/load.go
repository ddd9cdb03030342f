package load

import (
	"context"
	"io"
	"math/rand/v2"
	"sync"
	"time"

	"fhirsvc/internal/sandbox/bedside"
)

// Options say who comes how often.
type Options struct {
	HTTP string
	NATS string // "": events go over HTTP, too
	// PerMinute is how many cases begin in a minute, whatever becomes of those before.
	PerMinute int
	// For is how long cases begin and are played; then all stops.
	For time.Duration
	// Hour is how long an hour of the bedside takes on a service that goes by the time of day.
	Hour time.Duration
	// Seed draws what the cases are like and how late people come.
	Seed uint64
	// Progress is told how far the run is, each tenth of it; nil tells nobody.
	Progress func(line string)
}

// mostUnderWay bounds how many cases are played at once: more than a slow service can stand.
const mostUnderWay = 2000

// meanDelay is how late people come (docs/simulation.md).
const meanDelay = 264 * time.Second

// Run plays cases until the time is over or ctx ends. It fails only where the service or the
// broker can't be reached at the start.
func Run(ctx context.Context, o Options) (*Figures, error) {
	client, err := dial(o)
	if err != nil {
		return nil, err
	}
	defer client.Close()
	next, afterwards := clockOf(ctx, client, o.Hour)
	f := newFigures()
	ctx, cancel := context.WithTimeout(ctx, o.For)
	defer cancel()
	client.Watch = func(method, path string, took time.Duration, status int) {
		if status != 0 || ctx.Err() == nil { // the end of the run breaks off what is under way
			f.watch(method, path, took, status)
		}
	}
	var cases sync.WaitGroup
	free := make(chan struct{}, mostUnderWay)
	begin := func(n int) {
		select {
		case free <- struct{}{}:
		default:
			f.add(&f.Held)
			return
		}
		f.add(&f.Begun)
		cases.Go(func() {
			defer func() { <-free }()
			err := play(ctx, client, next(), afterwards, o.Seed, n)
			switch {
			case err == nil:
				f.add(&f.Done)
			case ctx.Err() == nil:
				f.broken(err)
			}
		})
	}
	every(ctx, time.Minute/time.Duration(o.PerMinute), o.For/10, begin, func() {
		if o.Progress != nil {
			o.Progress(f.Line())
		}
	})
	cases.Wait()
	f.ended = time.Now()
	return f, nil
}

func dial(o Options) (*bedside.Client, error) {
	if o.NATS == "" {
		return bedside.DialHTTP(o.HTTP), nil
	}
	return bedside.Dial(o.HTTP, o.NATS)
}

// every calls begin at fixed instants from now on: a late one is made up for, so that the rate
// is kept. It calls tell now and then.
func every(ctx context.Context, pause, quiet time.Duration, begin func(n int), tell func()) {
	start := time.Now()
	told := time.NewTicker(max(quiet, time.Second))
	defer told.Stop()
	for n := 0; ; {
		due := time.NewTimer(time.Until(start.Add(time.Duration(n) * pause)))
		select {
		case <-ctx.Done():
			due.Stop()
			return
		case <-told.C:
			due.Stop()
			tell()
		case <-due.C:
			begin(n)
			n++
		}
	}
}

// play plays the n-th case: half are interventions, a fourth bleed once.
func play(ctx context.Context, client *bedside.Client, c clock, afterwards bool, seed uint64, n int) error {
	dice := rand.New(rand.NewPCG(seed, uint64(n)))
	now, err := c.Now(ctx)
	if err != nil {
		return err
	}
	kind, bleed := "diagnostic", 0
	if dice.IntN(2) == 0 {
		kind = "intervention"
	}
	if dice.IntN(4) == 0 {
		bleed = 1 + dice.IntN(4)
	}
	const perRun = 100_000
	number := int(time.Now().Unix()%1_000_000)*perRun + n%perRun
	m := bedside.Manner{Clock: c, BleedAfter: bleed, Afterwards: afterwards, Out: io.Discard, Late: func() time.Duration {
		return time.Duration(dice.ExpFloat64() * float64(meanDelay))
	}}
	return m.Play(ctx, client, bedside.NewCase(number, kind, now))
}
