package events

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"fhirsvc/internal/episode"
)

// Refused is one event that was rejected, as the stream keeps it.
type Refused struct {
	Number uint64 // in the stream; it names the event as long as that is kept
	At     time.Time
	episode.Rejection
}

// ErrNotRefused says that the stream has no rejected event of that number.
var ErrNotRefused = errors.New("there is no rejected event of that number")

// ErrTruncated says that only the beginning of an event was kept, since it was too long:
// its sender must send it again.
var ErrTruncated = errors.New("too long when it came: only its beginning was kept, so that its sender must send it again")

// RefusedEvents are the events that were rejected and nobody has dropped yet.
type RefusedEvents struct {
	js     jetstream.JetStream
	stream jetstream.Stream
}

// NewRefusedEvents opens the stream of rejected events.
func NewRefusedEvents(ctx context.Context, js jetstream.JetStream) (*RefusedEvents, error) {
	s, err := js.Stream(ctx, StreamRejected)
	if err != nil {
		return nil, fmt.Errorf("stream %s: %w", StreamRejected, err)
	}
	return &RefusedEvents{js: js, stream: s}, nil
}

// Each calls f with every rejected event, oldest first, and ends at its first error.
func (r *RefusedEvents) Each(ctx context.Context, f func(Refused) error) error {
	for from := uint64(1); ; {
		one, err := r.get(ctx, from, jetstream.WithGetMsgSubject(SubjectRejected)) // the first from there on
		if errors.Is(err, ErrNotRefused) {
			return nil
		}
		if err == nil {
			err = f(one)
		}
		if err != nil {
			return err
		}
		from = one.Number + 1
	}
}

// Get gives one rejected event, or ErrNotRefused.
func (r *RefusedEvents) Get(ctx context.Context, number uint64) (Refused, error) {
	return r.get(ctx, number)
}

func (r *RefusedEvents) get(ctx context.Context, number uint64, of ...jetstream.GetMsgOpt) (Refused, error) {
	m, err := r.stream.GetMsg(ctx, number, of...)
	if errors.Is(err, jetstream.ErrMsgNotFound) {
		return Refused{}, fmt.Errorf("%d: %w", number, ErrNotRefused)
	}
	if err != nil {
		return Refused{}, err
	}
	one := Refused{Number: m.Sequence, At: m.Time}
	if err := json.Unmarshal(m.Data, &one.Rejection); err != nil {
		return Refused{}, fmt.Errorf("%d: not a rejected event: %w", m.Sequence, err)
	}
	return one, nil
}

// Replay sends the event to the service again, byte for byte, under a message id of its
// own. It stays among the rejected ones: one that is rejected again for the same reason is
// not told twice.
func (r *RefusedEvents) Replay(ctx context.Context, number uint64) error {
	one, err := r.Get(ctx, number)
	if err != nil {
		return err
	}
	if one.Truncated {
		return fmt.Errorf("%d: %w", number, ErrTruncated)
	}
	m := nats.NewMsg(SubjectProcedure)
	m.Data = one.Original
	m.Header.Set(jetstream.MsgIDHeader, fmt.Sprintf("replay/%d/%s", number, uuid.NewString()))
	if one.ContentType != "" {
		m.Header.Set("Content-Type", one.ContentType)
	}
	_, err = r.js.PublishMsg(ctx, m)
	return err
}

// Drop takes the event out of the stream for good, or gives ErrNotRefused.
func (r *RefusedEvents) Drop(ctx context.Context, number uint64) error {
	if _, err := r.Get(ctx, number); err != nil {
		return err
	}
	return r.stream.SecureDeleteMsg(ctx, number)
}
