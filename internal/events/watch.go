package events

import (
	"net/http"
	"slices"
	"time"

	"github.com/nats-io/nats.go"
)

// Watching is told what became of each delivery of a procedure event (taken, put-off,
// refused), and how long ago its sender had published it.
type Watching interface {
	Event(outcome string, age time.Duration)
}

func (in *Intake) told(d delivery, outcome string) {
	if in.watch != nil {
		in.watch.Event(outcome, time.Since(d.published))
	}
}

// traceHeaders reads the trace context of a message. NATS compares names byte by byte, and
// senders write traceparent as W3C does or as HTTP libraries do.
type traceHeaders nats.Header

func (h traceHeaders) Get(name string) string {
	for _, written := range []string{name, http.CanonicalHeaderKey(name)} {
		if values := h[written]; len(values) > 0 {
			return values[0]
		}
	}
	return ""
}

func (h traceHeaders) Set(name, value string) { h[name] = []string{value} }

func (h traceHeaders) Keys() []string {
	keys := make([]string, 0, len(h))
	for k := range h {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}
