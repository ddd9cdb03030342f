package main

import (
	"encoding/hex"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/prometheus/client_golang/prometheus/testutil/promlint"
	"github.com/stretchr/testify/require"
	collector "go.opentelemetry.io/proto/otlp/collector/trace/v1"
	common "go.opentelemetry.io/proto/otlp/common/v1"
	otlp "go.opentelemetry.io/proto/otlp/trace/v1"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	"fhirsvc/internal/sandbox/bedside"
)

// spanCollector keeps what is exported to it, as OTLP/HTTP has it
// (opentelemetry.io/docs/specs/otlp).
type spanCollector struct {
	*httptest.Server
	mu    sync.Mutex
	spans []*otlp.Span
}

func newSpanCollector(t *testing.T) *spanCollector {
	t.Helper()
	c := &spanCollector{}
	c.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(r.Body)
		var sent collector.ExportTraceServiceRequest
		if err != nil || proto.Unmarshal(body, &sent) != nil {
			w.WriteHeader(http.StatusBadRequest)
			return
		}
		c.mu.Lock()
		defer c.mu.Unlock()
		for _, of := range sent.GetResourceSpans() {
			for _, scope := range of.GetScopeSpans() {
				c.spans = append(c.spans, scope.GetSpans()...)
			}
		}
	}))
	t.Cleanup(c.Close)
	return c
}

func (c *spanCollector) of(trace string) map[string][]*otlp.Span {
	c.mu.Lock()
	defer c.mu.Unlock()
	byName := map[string][]*otlp.Span{}
	for _, s := range c.spans {
		if string(s.GetTraceId()) == trace {
			byName[s.GetName()] = append(byName[s.GetName()], s)
		}
	}
	return byName
}

// The trace that a sender begins goes on through the stream, the commit and the outbox to
// what is told of it, span by span; nothing in it tells of whom it is (W3C Trace Context;
// OpenTelemetry, messaging and HTTP spans).
func TestTraceOfAnEvent(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.migrate(t)
	to := newSpanCollector(t)
	w := s.serve(t, "FHIRSVC_TRACES_URL="+to.URL+"/v1/traces")

	const trace, parent = "0af7651916cd43dd8448eb211c80319c", "b7ad6b7169203331" // those of the W3C text
	c := bedside.NewCase(500, "diagnostic", time.Now())
	_, err := w.client.JetStream().PublishMsg(t.Context(), &nats.Msg{
		Subject: "ehr.procedure.completed", Data: c.Event(), Header: nats.Header{"traceparent": {"00-" + trace + "-" + parent + "-01"}},
	})
	require.NoError(t, err)
	require.Eventually(t, func() bool { return len(w.ids("CarePlan")) == 1 }, eventually, tick)
	w.find(c)
	a, err := w.client.Do(t.Context(), http.MethodGet, "/fhir/"+w.patient, nil, http.Header{"Traceparent": {"00-" + trace + "-" + parent + "-01"}})
	require.NoError(t, err)
	require.Equal(t, http.StatusOK, a.Status)
	w.process.stop(t) // sends what is left

	spans := to.of(unhex(t, trace))
	name := func(n string) *otlp.Span {
		require.Len(t, spans[n], 1, "%s in %v", n, spans)
		return spans[n][0]
	}
	process := name("process ehr.procedure.completed")
	require.Equal(t, unhex(t, parent), string(process.GetParentSpanId()))
	require.Equal(t, otlp.Span_SPAN_KIND_CONSUMER, process.GetKind())
	require.Equal(t, "nats", attribute(process, "messaging.system"))
	parents := map[string]string{}
	for _, span := range slices.Concat(spans["prepare"], spans["commit"]) {
		parents[string(span.GetSpanId())] = string(span.GetParentSpanId())
	}
	commits := map[string]bool{} // the patient first, alone; then the episode
	for _, commit := range spans["commit"] {
		above := string(commit.GetParentSpanId())
		for parents[above] != "" {
			above = parents[above]
		}
		require.Equal(t, string(process.GetSpanId()), above)
		require.LessOrEqual(t, process.GetStartTimeUnixNano(), commit.GetStartTimeUnixNano())
		require.GreaterOrEqual(t, process.GetEndTimeUnixNano(), commit.GetEndTimeUnixNano())
		commits[string(commit.GetSpanId())] = true
	}
	require.GreaterOrEqual(t, len(spans["prepare"]), len(commits))
	stored := w.lastSeq("FHIRSVC_CHANGES")
	require.Len(t, spans["send fhirsvc.changes"], int(stored), "one a change")
	told := map[string]bool{}
	for _, send := range spans["send fhirsvc.changes"] {
		require.True(t, commits[string(send.GetParentSpanId())], "sent below the commit that made it")
		require.Equal(t, otlp.Span_SPAN_KIND_PRODUCER, send.GetKind())
		told[string(send.GetSpanId())] = true
	}
	for _, header := range traceparents(w) { // those who read the stream go on with it
		parts := strings.Split(header, "-")
		require.Equal(t, trace, parts[1])
		require.True(t, told[unhex(t, parts[2])], header)
	}
	read := name("GET /fhir/Patient/:id")
	require.Equal(t, otlp.Span_SPAN_KIND_SERVER, read.GetKind())
	require.Equal(t, "200", attribute(read, "http.response.status_code"))

	require.NotEmpty(t, to.spans)
	for _, span := range to.spans {
		text := protojson.Format(span)
		for _, personal := range []string{"Testperson", "Invented", "hospital.example", "-0500", strings.TrimPrefix(w.patient, "Patient/")} {
			require.NotContains(t, text, personal)
		}
	}
}

// Each metric that docs/metrics.md lists is there and no other, in good form by the linter of
// Prometheus; and no label tells of whom it is.
func TestMetricsAreThoseOfTheDocument(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.migrate(t)
	w := s.serve(t, "FHIRSVC_METRICS_ADDR=127.0.0.1:0")
	c := bedside.NewCase(501, "diagnostic", time.Now().Add(-time.Hour)) // something is overdue at once
	require.NoError(t, w.client.Send(t.Context(), c.Event()))
	require.Eventually(t, func() bool { return len(w.ids("CarePlan")) == 1 }, eventually, tick)
	w.find(c)
	f := bedside.Finding{Code: "access-site-bleeding", Answer: "haemostasis", At: time.Now(), By: bedside.Nurse(), Patient: w.patient, PartOf: w.procedure, Side: "right"}
	_, err := w.client.Create(t.Context(), "Observation", f.Observation())
	require.NoError(t, err)

	_, rest, _ := strings.Cut(w.process.stderr.String(), `"metrics_address":"`)
	address, _, _ := strings.Cut(rest, `"`)
	text := scrape(t, "http://"+address+"/metrics")
	a, err := w.client.Do(t.Context(), http.MethodGet, "/metrics", nil, nil)
	require.NoError(t, err)
	require.Equal(t, http.StatusNotFound, a.Status, "not among what clients reach")

	document, err := os.ReadFile("../../docs/metrics.md")
	require.NoError(t, err)
	names := func(pattern, in string) map[string]bool {
		found := map[string]bool{}
		for _, m := range regexp.MustCompile(pattern).FindAllStringSubmatch(in, -1) {
			found[m[1]] = true
		}
		return found
	}
	own := names(`(?m)^# TYPE ((?:fhirsvc|http)_\w+)`, text)
	listed := names("(?m)^\\| `((?:fhirsvc|http)_[a-z_]+)`", string(document))
	for name := range listed {
		if strings.HasPrefix(name, "fhirsvc_subscription") { // nobody was called
			continue
		}
		require.True(t, own[name], name)
	}
	for name := range own {
		require.True(t, listed[name], name)
	}
	require.Contains(t, text, `fhirsvc_episodes_open 1`)
	require.Contains(t, text, `fhirsvc_inputs_total{kind="charted"} 1`)
	require.Contains(t, text, `fhirsvc_events_consumed_total{outcome="taken"} 1`)
	require.Regexp(t, `fhirsvc_tasks_open\{code="site-check"\} 1`, text)

	problems, err := promlint.New(strings.NewReader(text)).Lint()
	require.NoError(t, err)
	require.Empty(t, problems)
	for _, personal := range []string{"Testperson", "hospital.example", "-0501", strings.TrimPrefix(w.patient, "Patient/")} {
		require.NotContains(t, text, personal)
	}
}

func scrape(t *testing.T, url string) string {
	t.Helper()
	r, err := http.NewRequestWithContext(t.Context(), http.MethodGet, url, nil)
	require.NoError(t, err)
	a, err := http.DefaultClient.Do(r)
	require.NoError(t, err)
	defer func() { require.NoError(t, a.Body.Close()) }()
	text, err := io.ReadAll(a.Body)
	require.NoError(t, err)
	require.Equal(t, http.StatusOK, a.StatusCode, string(text))
	return string(text)
}

func unhex(t *testing.T, text string) string {
	t.Helper()
	b, err := hex.DecodeString(text)
	require.NoError(t, err)
	return string(b)
}

// attribute gives the value of a span's attribute as text, "" if it has none.
func attribute(s *otlp.Span, key string) string {
	for _, a := range s.GetAttributes() {
		if a.GetKey() != key {
			continue
		}
		if text, ok := a.GetValue().GetValue().(*common.AnyValue_StringValue); ok {
			return text.StringValue
		}
		return strconv.FormatInt(a.GetValue().GetIntValue(), 10)
	}
	return ""
}

// traceparents gives that header of each change that was told.
func traceparents(w *ward) []string {
	w.Helper()
	s, err := w.client.JetStream().Stream(w.Context(), "FHIRSVC_CHANGES")
	require.NoError(w, err)
	var headers []string
	for seq := uint64(1); seq <= s.CachedInfo().State.LastSeq; seq++ {
		m, err := s.GetMsg(w.Context(), seq)
		require.NoError(w, err)
		headers = append(headers, m.Header.Get("traceparent"))
	}
	return headers
}
