package delivery

import (
	"context"
	"maps"

	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/propagation"
	"go.opentelemetry.io/otel/trace"

	"fhirsvc/internal/store"
	"fhirsvc/internal/tracing"
)

// publish sends messages, each with a span below the one that its change was made in: its
// headers tell of that, and then of this one.
func (r *Relay) publish(ctx context.Context, messages []store.Outbox) (int, error) {
	if r.traces == nil {
		return r.publisher.Publish(ctx, messages)
	}
	ends := make([]func(error), len(messages))
	for i, m := range messages {
		of, end := tracing.Enter(ctx, r.traces, trace.SpanKindProducer, "send fhirsvc.changes", propagation.MapCarrier(m.Headers),
			attribute.String("messaging.system", "nats"), attribute.String("messaging.operation.type", "send"),
			attribute.String("messaging.destination.template", "fhirsvc.changes.{type}.{act}.{partition}"))
		headers := maps.Clone(m.Headers)
		maps.Copy(headers, tracing.Carry(of))
		messages[i].Headers, ends[i] = headers, end
	}
	sent, err := r.publisher.Publish(ctx, messages)
	for i, end := range ends {
		if i < sent {
			end(nil)
		} else {
			end(err)
		}
	}
	return sent, err
}
