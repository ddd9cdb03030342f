package events

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"fhirsvc/internal/store"
)

// position is how far the consumer had come when the server was asked last. All that it has
// acknowledged was committed before, so that whoever has a commit made later has that too.
type position struct {
	store.Position
	asked time.Time
}

// now asks the server, if that was not done a moment ago; what can't be asked stays as it was,
// and was true.
func (p *position) now(ctx context.Context, c jetstream.Consumer) store.Position {
	if time.Since(p.asked) < positionEvery {
		return p.Position
	}
	if info, err := c.Info(ctx); err == nil {
		p.Settled, p.asked = int64(info.AckFloor.Stream), time.Now() //nolint:gosec // a stream has no 2^63 messages
	}
	return p.Position
}

// madeAt tells a stream from another of the same name.
func madeAt(s jetstream.Stream) time.Time {
	return s.CachedInfo().Created.UTC().Truncate(time.Microsecond)
}

// ErrReplicaRuns says that some replica asks for events.
var ErrReplicaRuns = errors.New("a replica asks for events: stop all of them first")

// Resumption is where the consumer stands, and where it has to after a restore.
type Resumption struct {
	js       jetstream.JetStream
	stream   jetstream.Stream
	consumer *jetstream.ConsumerInfo // nil if there is none
	Made     time.Time               // when the stream was made
	First    int64                   // the first event that is still there
	Last     int64
}

// NewResumption reads how things stand.
func NewResumption(ctx context.Context, js jetstream.JetStream) (*Resumption, error) {
	s, err := js.Stream(ctx, StreamProcedure)
	if err != nil {
		return nil, fmt.Errorf("stream %s: %w", StreamProcedure, err)
	}
	state := s.CachedInfo().State
	r := &Resumption{js: js, stream: s, Made: madeAt(s), First: int64(state.FirstSeq), Last: int64(state.LastSeq)} //nolint:gosec // as above
	c, err := s.Consumer(ctx, ConsumerProcedure)
	switch {
	case errors.Is(err, jetstream.ErrConsumerNotFound):
		return r, nil
	case err != nil:
		return nil, fmt.Errorf("consumer %s: %w", ConsumerProcedure, err)
	}
	r.consumer = c.CachedInfo()
	return r, nil
}

// After makes the consumer begin after an event. What the site has tuned stays. ErrReplicaRuns
// if it is in use.
func (r *Resumption) After(ctx context.Context, settled int64) error {
	if r.consumer == nil {
		return nil // a new one begins with the first event
	}
	if r.consumer.NumWaiting > 0 {
		return ErrReplicaRuns
	}
	if err := r.stream.DeleteConsumer(ctx, ConsumerProcedure); err != nil {
		return fmt.Errorf("consumer %s: %w", ConsumerProcedure, err)
	}
	config := r.consumer.Config
	config.DeliverPolicy, config.OptStartTime = jetstream.DeliverByStartSequencePolicy, nil
	config.OptStartSeq = uint64(settled) + 1 //nolint:gosec // never negative
	if _, err := r.js.CreateOrUpdateConsumer(ctx, StreamProcedure, config); err != nil {
		return fmt.Errorf("consumer %s: %w", ConsumerProcedure, err)
	}
	return nil
}
