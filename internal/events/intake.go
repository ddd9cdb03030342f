package events

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"go.opentelemetry.io/otel/trace"

	"fhirsvc/internal/episode"
	"fhirsvc/internal/store"
)

// Handler is where messages go. Message returns nil only after its change is committed
// (now, or by the same message before); the kind of its error decides what becomes of
// the message. Reject stores the refused message with its reason.
type Handler interface {
	Message(ctx context.Context, m episode.Message) (episode.MessageAnswer, error)
	Reject(ctx context.Context, m episode.Message, reason error) error
}

// IntakeOptions are the settings of an Intake; zero values take the defaults.
type IntakeOptions struct {
	Handler  Handler
	Ping     func(ctx context.Context) error // nil when the store can be written to
	Log      *slog.Logger
	Watch    Watching             // nil tells nobody
	Traces   trace.TracerProvider // nil gets no spans
	Parallel int                  // messages handled at once, 32: what eight replicas may have in hand together
	Tries    int                  // at a message that makes us fail, 5
	Delay    time.Duration        // after the first failure, 1 s; doubled with each
	MaxDelay time.Duration        // 1 min
	// AckWait is how long the server waits for a word about a delivered message, 30 s;
	// work that takes longer says so before. It counts when the consumer is created.
	AckWait time.Duration
}

// pullFor is how long one request for messages stands.
const pullFor = time.Second

// positionEvery is how old the position may be that is stored with an event.
const positionEvery = time.Second

// Intake pulls procedure events and hands them on, several at a time.
type Intake struct {
	stream   jetstream.Stream
	consumer jetstream.Consumer
	handler  Handler
	ping     func(ctx context.Context) error
	log      *slog.Logger
	watch    Watching
	traces   trace.TracerProvider
	backoff  backoff
	tries    int
	slots    chan struct{}
	bodies   bodies
	faults   faults
	wait     time.Duration // of the consumer, for a word about a message
	position position

	away   chan struct{} // holds one token once the store was found away
	flight sync.WaitGroup
}

// NewIntake joins the durable consumer, creating it if there is none.
func NewIntake(ctx context.Context, js jetstream.JetStream, o IntakeOptions) (*Intake, error) {
	o = o.withDefaults()
	c, err := consumer(ctx, js, o.AckWait)
	if err != nil {
		return nil, err
	}
	s, err := js.Stream(ctx, StreamProcedure)
	if err != nil {
		return nil, fmt.Errorf("stream %s: %w", StreamProcedure, err)
	}
	return &Intake{
		stream:   s,
		consumer: c,
		handler:  o.Handler,
		ping:     o.Ping,
		log:      o.Log,
		watch:    o.Watch,
		traces:   o.Traces,
		backoff:  backoff{first: o.Delay, most: o.MaxDelay},
		tries:    o.Tries,
		slots:    make(chan struct{}, o.Parallel),
		bodies:   newBodies(),
		faults:   newFaults(),
		wait:     c.CachedInfo().Config.AckWait,
		position: position{Position: store.Position{Stream: madeAt(s)}},
		away:     make(chan struct{}, 1),
	}, nil
}

func (o IntakeOptions) withDefaults() IntakeOptions {
	if o.Parallel <= 0 {
		o.Parallel = maxAckPending / 8
	}
	if o.Tries <= 0 {
		o.Tries = 5
	}
	if o.Delay <= 0 {
		o.Delay = time.Second
	}
	if o.MaxDelay <= 0 {
		o.MaxDelay = time.Minute
	}
	if o.AckWait <= 0 {
		o.AckWait = 30 * time.Second
	}
	return o
}

// Reach tells why no event can be asked for now, nil when one can.
func (in *Intake) Reach(ctx context.Context) error {
	_, err := in.consumer.Info(ctx)
	return err
}

// Waiting tells how many events wait at the broker: not yet given out, given out and not yet
// acknowledged, and given out more than once.
func (in *Intake) Waiting(ctx context.Context) (pending uint64, unacknowledged, redelivered int, err error) {
	info, err := in.consumer.Info(ctx)
	if err != nil {
		return 0, 0, 0, fmt.Errorf("consumer %s: %w", ConsumerProcedure, err)
	}
	return info.NumPending, info.NumAckPending, info.NumRedelivered, nil
}

// Run pulls until ctx ends, then waits for the messages in hand. Handling is not cut
// short by the end of ctx: a message that was given out is finished and acknowledged, so
// that nobody waits for it.
func (in *Intake) Run(ctx context.Context) {
	defer in.flight.Wait()
	for attempt := uint64(1); ctx.Err() == nil; {
		err := in.pull(ctx)
		if err == nil {
			attempt = 1
			continue
		}
		if ctx.Err() != nil {
			return
		}
		in.log.Warn("intake can't pull", "kind", "transient", "attempt", attempt, "error", err)
		pause(ctx, in.backoff.delay(attempt))
		attempt++
	}
}

// pull asks for as many messages as there are free slots and starts on each as it comes.
// It returns when they are all begun or after a moment without enough of them.
func (in *Intake) pull(ctx context.Context) error {
	free := in.acquire(ctx)
	defer func() {
		for range free {
			<-in.slots
		}
	}()
	if free == 0 {
		return ctx.Err()
	}
	in.waitForStore(ctx) // with a slot in hand: what had it may have found the store away
	if ctx.Err() != nil {
		return ctx.Err()
	}
	// Not ended by ctx: what the server gives out in between would lie until its time is up.
	at := in.position.now(ctx, in.consumer)
	batch, err := in.consumer.Fetch(free, jetstream.FetchMaxWait(pullFor))
	if err != nil {
		return err
	}
	for m := range batch.Messages() {
		free--
		in.flight.Go(func() {
			defer func() { <-in.slots }()
			in.handle(context.WithoutCancel(ctx), m, at)
		})
	}
	if err := batch.Error(); err != nil {
		return fmt.Errorf("fetch: %w", err)
	}
	return nil
}

// acquire takes at least one slot and all others that are free; 0 if ctx ended.
func (in *Intake) acquire(ctx context.Context) int {
	select {
	case in.slots <- struct{}{}:
	case <-ctx.Done():
		return 0
	}
	for n := 1; ; n++ {
		select {
		case in.slots <- struct{}{}:
		default:
			return n
		}
	}
}

// waitForStore returns at once unless the store was found away; then it asks for it
// with growing pauses, so that messages stay where they are safe.
func (in *Intake) waitForStore(ctx context.Context) {
	select {
	case <-in.away:
	default:
		return
	}
	for attempt := uint64(1); ctx.Err() == nil; attempt++ {
		err := in.ping(ctx)
		if err == nil {
			return
		}
		in.log.Warn("intake pauses while the store is away", "kind", "no-store", "attempt", attempt, "error", err)
		pause(ctx, in.backoff.delay(attempt))
	}
}

// CaughtUp returns when every message that the broker has acknowledged so far is
// settled: committed or refused. The consumer learns of a message some time after its
// sender was told that it is stored, so it is the stream that is asked for the last one.
func (in *Intake) CaughtUp(ctx context.Context) error {
	last, err := in.stream.GetLastMsgForSubject(ctx, SubjectProcedure)
	if errors.Is(err, jetstream.ErrMsgNotFound) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("stream %s: %w", StreamProcedure, err)
	}
	for {
		info, err := in.consumer.Info(ctx)
		if err != nil {
			return fmt.Errorf("consumer %s: %w", ConsumerProcedure, err)
		}
		if info.Delivered.Stream >= last.Sequence && (info.NumAckPending == 0 || info.AckFloor.Stream >= last.Sequence) {
			return nil
		}
		pause(ctx, 5*time.Millisecond)
		if ctx.Err() != nil {
			return ctx.Err()
		}
	}
}

// pause waits for d or until ctx ends.
func pause(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
	case <-ctx.Done():
	}
}
