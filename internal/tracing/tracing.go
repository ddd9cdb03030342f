package tracing

import (
	"context"

	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/codes"
	"go.opentelemetry.io/otel/propagation"
	"go.opentelemetry.io/otel/trace"

	"fhirsvc/internal/fhir/outcome"
)

// scope names this service's instrumentation.
const scope = "fhirsvc"

// wire is how a trace is written in headers: traceparent and tracestate.
var wire propagation.TraceContext

// Enter starts the span of a door, below the one that the headers tell of. provider may be
// nil: nothing is recorded then. end ends the span, with the kind of the error.
func Enter(
	ctx context.Context, provider trace.TracerProvider, kind trace.SpanKind, name string, headers propagation.TextMapCarrier, about ...attribute.KeyValue,
) (_ context.Context, end func(error)) {
	if provider == nil {
		return ctx, func(error) {}
	}
	return begin(wire.Extract(ctx, headers), provider, name, trace.WithSpanKind(kind), trace.WithAttributes(about...))
}

// Follow starts the span of a request to somebody else, below the one of which the text tells
// (a traceparent, such as Carry gives); without it, or without a provider, nothing is recorded.
func Follow(ctx context.Context, provider trace.TracerProvider, name, traceparent string) (_ context.Context, end func(error)) {
	if traceparent == "" {
		return ctx, func(error) {}
	}
	return Enter(ctx, provider, trace.SpanKindClient, name, propagation.MapCarrier{"traceparent": traceparent})
}

// Begin starts a span below the one in ctx.
func Begin(ctx context.Context, name string, about ...attribute.KeyValue) (_ context.Context, end func(error)) {
	span := trace.SpanFromContext(ctx)
	if !span.IsRecording() {
		return ctx, func(error) {}
	}
	return begin(ctx, span.TracerProvider(), name, trace.WithAttributes(about...))
}

// Carry gives the headers by which others go on with the trace in ctx, nil if there is none.
func Carry(ctx context.Context) map[string]string {
	if !trace.SpanContextFromContext(ctx).IsValid() {
		return nil
	}
	headers := propagation.MapCarrier{}
	wire.Inject(ctx, headers)
	return headers
}

// ID is that of the trace in ctx, "" if there is none.
func ID(ctx context.Context) string {
	if id := trace.SpanContextFromContext(ctx).TraceID(); id.IsValid() {
		return id.String()
	}
	return ""
}

func begin(ctx context.Context, provider trace.TracerProvider, name string, options ...trace.SpanStartOption) (context.Context, func(error)) {
	ctx, span := provider.Tracer(scope).Start(ctx, name, options...)
	return ctx, func(err error) {
		if err != nil {
			kind := string(outcome.KindOf(err))
			span.SetAttributes(attribute.String("error.type", kind))
			span.SetStatus(codes.Error, kind)
		}
		span.End()
	}
}
