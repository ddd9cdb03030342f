package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"time"

	sdktrace "go.opentelemetry.io/otel/sdk/trace"
	"go.opentelemetry.io/otel/trace"

	"fhirsvc/internal/telemetry"
)

// lookout is what looks at the service from outside: metrics, and where traces go.
type lookout struct {
	metrics *telemetry.Metrics
	traces  *sdktrace.TracerProvider // nil: nowhere
	server  *http.Server             // nil: metrics are not served here
	listen  net.Listener
}

// openWatch takes the address of the metrics. It is one of its own: what is told there names
// nobody, but is not for the clients of /fhir either.
func openWatch(ctx context.Context, c Config) (w lookout, err error) {
	w.metrics = telemetry.NewMetrics(version())
	if c.TracesURL != "" {
		w.traces, err = telemetry.NewTraces(ctx, telemetry.TraceOptions{URL: c.TracesURL.reveal(), Ratio: c.TracesRatio, Version: version()})
		if err != nil {
			return lookout{}, errors.New("FHIRSVC_TRACES_URL: not the URL of a collector") // the error may quote it
		}
	}
	if c.MetricsAddr == "" {
		return w, nil
	}
	if w.listen, err = net.Listen("tcp", c.MetricsAddr); err != nil {
		return lookout{}, fmt.Errorf("FHIRSVC_METRICS_ADDR: %w", err)
	}
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", w.metrics.Handler())
	w.server = &http.Server{Handler: mux, ReadHeaderTimeout: 10 * time.Second, WriteTimeout: 30 * time.Second}
	return w, nil
}

// address is where metrics are served, "" for nowhere.
func (w lookout) address() string {
	if w.listen == nil {
		return ""
	}
	return w.listen.Addr().String()
}

// spans is where the rooms' spans go.
func (w lookout) spans() trace.TracerProvider {
	if w.traces == nil {
		return nil
	}
	return w.traces
}

// run serves metrics until ctx ends.
func (w lookout) run(ctx context.Context) {
	if w.server == nil {
		return
	}
	go func() {
		<-ctx.Done()
		_ = w.server.Close() // a scrape may be cut off
	}()
	_ = w.server.Serve(w.listen) // ends with an error, always
}

// close sends what is left of the traces and gives the address back.
func (w lookout) close(ctx context.Context) error {
	var err error
	if w.traces != nil {
		err = w.traces.Shutdown(ctx)
	}
	if w.listen != nil {
		_ = w.listen.Close() // closed by the server, mostly
	}
	return err
}
