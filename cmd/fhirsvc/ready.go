package main

import (
	"context"
	"errors"
	"time"

	"fhirsvc/internal/fhir/outcome"
)

// How long the database and the broker may take to say that they are there.
const (
	storeWithin  = 2 * time.Second
	brokerWithin = 500 * time.Millisecond
)

// askSchema is how often a running service looks whether the schema still serves it.
const askSchema = time.Second

// ready tells why no request should be sent here now: what is charted must be stored, so the
// database has to take writes. A broker that is away is no reason, since it is away for all
// replicas and the wards go on charting: events wait in it, changes in the outbox. It is
// told in words.
func (n *node) ready(ctx context.Context) (remark string, err error) {
	if n.stopping.Load() {
		return "", errors.New("stopping")
	}
	ask, cancel := context.WithTimeout(ctx, storeWithin)
	defer cancel()
	if err := n.store.Ping(ask); err != nil {
		return "", err
	}
	ask, enough := context.WithTimeout(ctx, brokerWithin)
	defer enough()
	if !n.nats.IsConnected() || n.intake.Reach(ask) != nil {
		return "the broker is away: events and changes wait, charting goes on", nil
	}
	return "", nil
}

// outlived waits until the schema is one on which this release can't work, and tells why; nil when
// ctx ends. What a newer release writes then may look to this one like a fault of its own, and
// what it tells readers may be wrong, so that it is not enough to say that it is not ready.
func (n *node) outlived(ctx context.Context) error {
	for {
		wait(ctx, askSchema)
		if ctx.Err() != nil {
			return nil
		}
		ask, cancel := context.WithTimeout(ctx, storeWithin)
		err := n.store.Ping(ask)
		cancel()
		if outcome.KindOf(err) == outcome.CodeBusinessRule {
			return err
		}
	}
}
