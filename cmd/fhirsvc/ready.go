package main

import (
	"context"
	"errors"
	"time"
)

// How long the database and the broker may take to say that they are there.
const (
	storeWithin  = 2 * time.Second
	brokerWithin = 500 * time.Millisecond
)

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
