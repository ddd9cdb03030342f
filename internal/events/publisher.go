package events

import (
	"context"
	"errors"
	"fmt"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/synadia-io/orbit.go/jetstreamext"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
)

// maxBatch is the server's limit on an atomic batch.
const maxBatch = 1000

// Publisher sends outbox messages. Each carries its id, so that a stream keeps one copy
// however often it is sent within its duplicate window.
type Publisher struct{ js jetstream.JetStream }

// NewPublisher returns a publisher on the connection.
func NewPublisher(js jetstream.JetStream) *Publisher { return &Publisher{js: js} }

// Publish sends the messages in order and returns how many the broker has stored; the
// others are not stored, or not known to be. It never sends one before the one ahead of
// it is stored. The error is transient, or exception for what the broker will never take.
//
// Messages for one stream go in atomic batches: one disk sync each, where single
// messages take one apiece.
func (p *Publisher) Publish(ctx context.Context, messages []store.Outbox) (int, error) {
	sent := 0
	for sent < len(messages) {
		run := sameStream(messages[sent:])
		n, err := p.publishRun(ctx, run)
		sent += n
		if err != nil {
			return sent, publishError(messages[min(sent, len(messages)-1)], err)
		}
	}
	return sent, nil
}

// publishRun sends messages of one stream: as a batch if the server takes it, else one
// by one. A batch that holds an id the stream knows already is refused whole.
func (p *Publisher) publishRun(ctx context.Context, messages []store.Outbox) (int, error) {
	if len(messages) > 1 {
		batch := make([]*nats.Msg, len(messages))
		for i, m := range messages {
			batch[i] = natsMessage(m)
		}
		_, err := jetstreamext.PublishMsgBatch(ctx, p.js, batch)
		if err == nil {
			return len(messages), nil
		}
		if !refusedAsBatch(err) {
			return 0, err
		}
	}
	for i, m := range messages {
		if _, err := p.js.PublishMsg(ctx, natsMessage(m)); err != nil {
			return i, err
		}
	}
	return len(messages), nil
}

// refusedAsBatch reports whether the server has answered that it does not take these
// messages as a batch, or the client that one of them is too large: none is stored, and
// sent singly those ahead of the culprit will be.
func refusedAsBatch(err error) bool {
	var api *jetstream.APIError
	if errors.As(err, &api) || errors.Is(err, nats.ErrMaxPayload) {
		return true
	}
	var answer jetstream.JetStreamError
	return errors.As(err, &answer) && answer.APIError() != nil
}

// sameStream gives the longest head of messages that one batch can hold.
func sameStream(messages []store.Outbox) []store.Outbox {
	n := 1
	for n < len(messages) && n < maxBatch && streamOf(messages[n]) == streamOf(messages[0]) {
		n++
	}
	return messages[:n]
}

func streamOf(m store.Outbox) string {
	if m.Subject == SubjectRejected {
		return StreamRejected
	}
	return StreamChanges
}

func natsMessage(m store.Outbox) *nats.Msg {
	msg := &nats.Msg{Subject: m.Subject, Data: m.Body, Header: nats.Header{}}
	for k, v := range m.Headers {
		msg.Header.Set(k, v)
	}
	msg.Header.Set(jetstream.MsgIDHeader, m.MessageID)
	return msg
}

// publishError tells apart what may pass from what never will.
func publishError(m store.Outbox, err error) error {
	kind := outcome.CodeTransient
	if errors.Is(err, nats.ErrMaxPayload) || errors.Is(err, nats.ErrBadSubject) || errors.Is(err, jetstream.ErrStreamMessageExceedsMaximum) {
		kind = outcome.CodeException
	}
	return &outcome.Error{Kind: kind, Op: fmt.Sprintf("publish on %s", m.Subject), Err: err}
}
