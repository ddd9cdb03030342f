package main

import (
	"encoding/pem"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/stretchr/testify/require"
	otlp "go.opentelemetry.io/proto/otlp/trace/v1"

	"fhirsvc/internal/delivery/push/pushtest"
	"fhirsvc/internal/fhir/profiles"
	"fhirsvc/internal/fhir/validate"
	"fhirsvc/internal/sandbox/bedside"
)

// traced keeps the traceparent of every request to a handler.
type traced struct {
	http.Handler
	mu      sync.Mutex
	headers []string
}

func (h *traced) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	h.mu.Lock()
	h.headers = append(h.headers, r.Header.Get("Traceparent"))
	h.mu.Unlock()
	h.Handler.ServeHTTP(w, r)
}

// of gives those that belong to a trace.
func (h *traced) of(trace string) []string {
	h.mu.Lock()
	defer h.mu.Unlock()
	return slices.DeleteFunc(slices.Clone(h.headers), func(header string) bool { return !strings.HasPrefix(header, "00-"+trace+"-") })
}

// The trace of an event goes on to those who are told of it: a Subscription's endpoint and an
// external server get the context of a span of their own below the commit (W3C Trace Context,
// w3.org/TR/trace-context). What belongs to no change carries none.
func TestTraceGoesOnToWhoIsTold(t *testing.T) {
	t.Parallel()
	hook := &traced{Handler: http.HandlerFunc(func(http.ResponseWriter, *http.Request) {})}
	endpoint := httptest.NewTLSServer(hook)
	t.Cleanup(endpoint.Close)
	roots := filepath.Join(t.TempDir(), "roots.pem")
	require.NoError(t, os.WriteFile(roots, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: endpoint.Certificate().Raw}), 0o600))
	server := pushtest.New(t, validate.New(profiles.Incoming()))
	push := &traced{Handler: server.Config.Handler}
	server.Config.Handler = push
	list := filepath.Join(t.TempDir(), "destinations.json")
	require.NoError(t, os.WriteFile(list, fmt.Appendf(nil, `{"destinations": [{"name": "ehr", "base": %q}]}`, server.Base()), 0o600))

	s := newSite(t)
	s.migrate(t)
	to := newSpanCollector(t)
	w := s.serve(t, "FHIRSVC_TRACES_URL="+to.URL+"/v1/traces", "FHIRSVC_DESTINATIONS="+list,
		"FHIRSVC_SUBSCRIPTION_ENDPOINTS="+endpoint.URL, "SSL_CERT_FILE="+roots)
	w.asksToBeTold("https://fhirsvc.example/fhir/SubscriptionTopic/plan-changed", endpoint.URL, "")
	require.Eventually(t, func() bool {
		return strings.Contains(w.process.stderr.String(), "destination added") && len(w.search("/fhir/Subscription?status=active").Entry) == 1
	}, eventually, tick)
	require.Equal(t, []string{""}, hook.headers, "the handshake is of no change")

	const trace, parent = "0af7651916cd43dd8448eb211c80319c", "b7ad6b7169203331" // those of the W3C text
	c := bedside.NewCase(502, "diagnostic", time.Now())
	system, value, _ := strings.Cut(c.Patient(), "|")
	server.Put(fmt.Sprintf(`{"resourceType":"Patient","identifier":[{"system":%q,"value":%q}]}`, system, value))
	_, err := w.client.JetStream().PublishMsg(t.Context(), &nats.Msg{
		Subject: "ehr.procedure.completed", Data: c.Event(), Header: nats.Header{"traceparent": {"00-" + trace + "-" + parent + "-01"}},
	})
	require.NoError(t, err)
	require.Eventually(t, func() bool { return len(hook.of(trace)) > 0 && len(server.All()) > 1 }, eventually, tick)
	require.NotEmpty(t, push.of(trace), "the transaction that wrote it")
	w.process.stop(t) // sends what is left

	spans := to.of(unhex(t, trace))
	commits := map[string]bool{}
	for _, commit := range spans["commit"] {
		commits[string(commit.GetSpanId())] = true
	}
	for name, got := range map[string][]string{"notify": hook.of(trace), "deliver": push.of(trace)} {
		require.NotEmpty(t, spans[name], name)
		own := map[string]bool{}
		for _, span := range spans[name] {
			require.True(t, commits[string(span.GetParentSpanId())], "%s is below the commit that made the change", name)
			require.Equal(t, otlp.Span_SPAN_KIND_CLIENT, span.GetKind())
			own[string(span.GetSpanId())] = true
		}
		for _, header := range got {
			require.True(t, own[unhex(t, strings.Split(header, "-")[2])], header)
		}
	}
}
