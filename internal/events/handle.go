package events

import (
	"context"
	"fmt"
	"log/slog"
	"runtime/debug"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/trace"

	"fhirsvc/internal/episode"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
	"fhirsvc/internal/tracing"
)

// delivery is one message in hand with what is known about its delivery.
type delivery struct {
	jetstream.Msg
	seq       uint64 // in the stream, the same on every delivery
	attempt   uint64 // from 1
	published time.Time
}

// handle takes one message to its end and tells the server about it.
func (in *Intake) handle(ctx context.Context, m jetstream.Msg, at store.Position) {
	d := delivery{Msg: m, attempt: 1}
	if meta, err := m.Metadata(); err == nil {
		d.seq, d.attempt, d.published = meta.Sequence.Stream, meta.NumDelivered, meta.Timestamp
	}
	begun := time.Now()
	stop := in.keepAlive(m)
	defer stop()
	unlock := in.bodies.lock(m.Data())
	defer unlock()

	ctx, end := tracing.Enter(ctx, in.traces, trace.SpanKindConsumer, "process "+SubjectProcedure, traceHeaders(m.Headers()),
		attribute.String("messaging.system", "nats"), attribute.String("messaging.operation.type", "process"),
		attribute.String("messaging.destination.name", SubjectProcedure))
	msg := episode.Message{Body: m.Data(), ContentType: m.Headers().Get("Content-Type"), Door: episode.DoorJetStream, Position: at}
	err := in.message(ctx, msg)
	end(err)
	kind := outcome.KindOf(err)
	log := in.log.With("event_id", d.seq, "attempt", d.attempt, "duration_ms", time.Since(begun).Milliseconds())
	if err != nil {
		log = log.With("kind", kind, "error", err)
	}
	switch verdictOn(kind) {
	case settled:
		in.faults.forget(d.seq)
		in.tell(log, d.Ack())
		in.told(d, "taken")
		log.Info("event taken in")
	case putOff:
		in.putOff(log, d, kind)
	case ourFault:
		if in.faults.add(d.seq) < in.tries {
			in.putOff(log, d, kind)
			return
		}
		log.Error("event given up after failing again and again")
		in.refuse(ctx, log, d, msg, err)
	case refused:
		in.refuse(ctx, log, d, msg, err)
	}
}

// message hands the message on. A panic is our fault like any other.
func (in *Intake) message(ctx context.Context, m episode.Message) (err error) {
	defer func() {
		if p := recover(); p != nil {
			in.log.Error("panic while handling an event", "kind", outcome.CodeException, "stack", string(debug.Stack()))
			err = outcome.Fail(outcome.CodeException, "handle event", "the service failed on this event")
		}
	}()
	_, err = in.handler.Message(ctx, m)
	return err
}

// putOff gives the message back for a while. Bare Nak would bring it back at once.
func (in *Intake) putOff(log *slog.Logger, d delivery, kind outcome.Code) {
	if kind == outcome.CodeNoStore {
		select {
		case in.away <- struct{}{}:
		default: // known already
		}
	}
	in.tell(log, d.NakWithDelay(in.backoff.delay(d.attempt)))
	in.told(d, "put-off")
	log.Warn("event put off")
}

// refuse stores the message with its reason, and only then ends its delivery: nothing
// that was refused is lost.
func (in *Intake) refuse(ctx context.Context, log *slog.Logger, d delivery, m episode.Message, reason error) {
	if err := in.handler.Reject(ctx, m, reason); err != nil {
		log.Error("refusal not stored", "reject_error", err)
		in.putOff(log, d, outcome.KindOf(err))
		return
	}
	in.faults.forget(d.seq)
	in.tell(log, d.TermWithReason(string(outcome.KindOf(reason))))
	in.told(d, "refused")
	log.Warn("event refused")
}

// tell notes that the server could not be told. It will deliver the message again, and
// the inbox makes that harmless.
func (in *Intake) tell(log *slog.Logger, err error) {
	if err != nil {
		log.Warn("acknowledgement not sent", "ack_error", err)
	}
}

// keepAlive tells the server, until stop is called, that the message is being worked on.
func (in *Intake) keepAlive(m jetstream.Msg) (stop func()) {
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		defer close(done)
		for {
			pause(ctx, in.wait/3)
			if ctx.Err() != nil {
				return
			}
			if err := m.InProgress(); err != nil {
				in.log.Warn("event in work not announced", "error", fmt.Errorf("in progress: %w", err))
			}
		}
	}()
	return func() { cancel(); <-done }
}
