package events

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// maxAckPending bounds what all replicas together have in hand. Messages that are put
// off count, so it leaves room for other patients' events beside them.
const maxAckPending = 256

// consumer gives the durable consumer, which it creates if there is none. One that is
// there stays as the site has tuned it, unless it could lose a message.
func consumer(ctx context.Context, js jetstream.JetStream, ackWait time.Duration) (jetstream.Consumer, error) {
	c, err := js.Consumer(ctx, StreamProcedure, ConsumerProcedure)
	if errors.Is(err, jetstream.ErrConsumerNotFound) {
		c, err = js.CreateOrUpdateConsumer(ctx, StreamProcedure, jetstream.ConsumerConfig{
			Durable:       ConsumerProcedure,
			Description:   "fhirsvc's intake, shared by its replicas",
			FilterSubject: SubjectProcedure,
			DeliverPolicy: jetstream.DeliverAllPolicy,
			AckPolicy:     jetstream.AckExplicitPolicy,
			AckWait:       ackWait,
			MaxDeliver:    -1,
			MaxAckPending: maxAckPending,
		})
	}
	if err != nil {
		return nil, fmt.Errorf("consumer %s: %w", ConsumerProcedure, err)
	}
	got := c.CachedInfo().Config
	if got.AckPolicy != jetstream.AckExplicitPolicy || got.MaxDeliver >= 0 && got.MaxDeliver != 0 {
		return nil, fmt.Errorf("consumer %s: must acknowledge explicitly and deliver without limit", ConsumerProcedure)
	}
	return c, nil
}
