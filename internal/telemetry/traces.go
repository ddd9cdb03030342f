package telemetry

import (
	"context"
	"fmt"

	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/exporters/otlp/otlptrace/otlptracehttp"
	"go.opentelemetry.io/otel/sdk/resource"
	sdktrace "go.opentelemetry.io/otel/sdk/trace"
)

// TraceOptions say where traces go.
type TraceOptions struct {
	URL     string  // of an OTLP/HTTP collector, such as http://collector:4318/v1/traces
	Ratio   float64 // of the traces that begin here, 0 to 1; one that comes in is kept if its sender keeps it
	Version string
}

// NewTraces returns a provider that sends spans in the background. Its Shutdown sends what is
// left. A collector that is away costs spans, never work.
func NewTraces(ctx context.Context, o TraceOptions) (*sdktrace.TracerProvider, error) {
	exporter, err := otlptracehttp.New(ctx, otlptracehttp.WithEndpointURL(o.URL))
	if err != nil {
		return nil, fmt.Errorf("traces: %w", err)
	}
	return newProvider(o, sdktrace.WithBatcher(exporter)), nil
}

func newProvider(o TraceOptions, way sdktrace.TracerProviderOption) *sdktrace.TracerProvider {
	return sdktrace.NewTracerProvider(
		way,
		sdktrace.WithSampler(sdktrace.ParentBased(sdktrace.TraceIDRatioBased(o.Ratio))),
		sdktrace.WithResource(resource.NewSchemaless(
			attribute.String("service.name", "fhirsvc"),
			attribute.String("service.version", o.Version),
		)),
	)
}
