package rest

import (
	"time"

	"github.com/labstack/echo/v4"
	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/propagation"
	"go.opentelemetry.io/otel/trace"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/tracing"
)

// Watching is told of each request that was answered: by the template of its route, which
// names nobody.
type Watching interface {
	Request(route, method string, status int, took time.Duration)
}

// observed tells of a request as a figure and as a span. Names and attributes of the span are
// those of opentelemetry.io/docs/specs/semconv/http/http-spans, without those that hold a
// path or a query: they may identify a patient.
func (s *server) observed(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		started := time.Now()
		name, route := method(c.Request().Method), c.Path()
		r := c.Request()
		ctx, end := tracing.Enter(r.Context(), s.o.Traces, trace.SpanKindServer, name+" "+route,
			propagation.HeaderCarrier(r.Header), attribute.String("http.request.method", name), attribute.String("http.route", route))
		c.SetRequest(r.WithContext(ctx))
		err := next(c) // answered by now: logged has seen to it
		status := c.Response().Status
		trace.SpanFromContext(ctx).SetAttributes(attribute.Int("http.response.status_code", status))
		if status >= 500 {
			end(outcome.Fail(outcome.CodeException, "", "%d", status))
		} else {
			end(nil)
		}
		if s.o.Watch != nil {
			s.o.Watch.Request(route, name, status, time.Since(started))
		}
		return err
	}
}
