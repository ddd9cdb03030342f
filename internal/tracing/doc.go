// Package tracing is how the rooms say what they do to OpenTelemetry: a span at each door
// (Enter), spans below it (Begin), and the context of a trace in the headers of a message
// (Carry), so that a change that goes out an hour later belongs to the event that caused it.
//
// Below a door the provider is that of the span in the context; where there is none, nothing
// is recorded. It knows the W3C trace context (w3.org/TR/trace-context). It must not know any
// id, name or value of a patient: attributes are the codes and numbers that the callers have
// constants for, and an error is its kind.
//
//	ctx, end := tracing.Enter(ctx, provider, trace.SpanKindConsumer, "process procedure", headers)
//	err := handle(ctx)
//	end(err)
package tracing
