package telemetry

import (
	"net/http"
	"strconv"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
)

// Metrics counts what the rooms tell, and asks the gauges it is given at each scrape. It is
// safe for concurrent use. Names: prometheus.io/docs/practices/naming; that of requests is
// OpenTelemetry's, opentelemetry.io/docs/specs/semconv/http/http-metrics.
type Metrics struct {
	registry *prometheus.Registry

	requests      *prometheus.HistogramVec
	events        *prometheus.CounterVec
	eventLag      prometheus.Histogram
	inputs        *prometheus.CounterVec
	conflicts     prometheus.Counter
	schedulerLag  prometheus.Histogram
	notifications *prometheus.CounterVec
	bleeds        prometheus.Counter
	firstRelease  prometheus.Histogram
	bandTime      prometheus.Histogram
}

// quick are the bounds of what should take milliseconds, late those of what may wait for
// minutes, bedside those of hours with a band on; all in seconds.
var (
	quick   = []float64{.002, .005, .01, .02, .05, .1, .2, .5, 1, 2, 5, 10}
	late    = []float64{.05, .1, .25, .5, 1, 2, 5, 15, 60, 300, 1800, 7200}
	bedside = []float64{900, 1800, 2700, 3600, 5400, 7200, 9000, 10800, 14400, 18000, 21600, 28800}
)

// NewMetrics returns metrics that all stand at zero.
func NewMetrics(version string) *Metrics {
	m := &Metrics{
		registry: prometheus.NewRegistry(),
		requests: histograms("http_server_request_duration_seconds", "Time to answer a request, by route template.", quick, "route", "method", "code"),
		events:   counters("fhirsvc_events_consumed_total", "Procedure events taken from the stream, by what became of them.", "outcome"),
		eventLag: histogram("fhirsvc_event_lag_seconds", "Time from the publishing of a procedure event to its commit.", late),
		inputs:   counters("fhirsvc_inputs_total", "Inputs that changed something, by their kind.", "kind"),
		conflicts: counter("fhirsvc_conflicts_total",
			"Commits that met a change of somebody else and were made anew."),
		schedulerLag:  histogram("fhirsvc_scheduler_lag_seconds", "Time from when something was due to when its episode was told.", late),
		notifications: counters("fhirsvc_subscription_deliveries_total", "Calls of Subscriptions' endpoints, by what became of them.", "outcome"),
		bleeds:        counter("fhirsvc_bleeds_total", "Bleeds of the episodes that ended, each counted once."),
		firstRelease:  histogram("fhirsvc_first_release_seconds", "Time from the start of compression to the first release, of the episodes that ended.", bedside),
		bandTime:      histogram("fhirsvc_band_time_seconds", "Time with a band on, of the episodes that ended.", bedside),
	}
	build := prometheus.NewGauge(prometheus.GaugeOpts{
		Name: "fhirsvc_build_info", Help: "Always 1; the version is a label.", ConstLabels: prometheus.Labels{"version": version},
	})
	build.Set(1)
	m.registry.MustRegister(
		m.requests, m.events, m.eventLag, m.inputs, m.conflicts, m.schedulerLag, m.notifications, m.bleeds, m.firstRelease, m.bandTime, build,
		collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}),
	)
	return m
}

// Handler answers a scrape.
func (m *Metrics) Handler() http.Handler {
	return promhttp.HandlerFor(m.registry, promhttp.HandlerOpts{})
}

// Request tells of an HTTP request that was answered; route is a template, never a path.
func (m *Metrics) Request(route, method string, status int, took time.Duration) {
	m.requests.WithLabelValues(route, method, strconv.Itoa(status)).Observe(took.Seconds())
}

// Event tells what became of a procedure event, and how old it was by then.
func (m *Metrics) Event(outcome string, age time.Duration) {
	m.events.WithLabelValues(outcome).Inc()
	if outcome == "taken" {
		m.eventLag.Observe(age.Seconds())
	}
}

// Input tells of an input that was committed.
func (m *Metrics) Input(kind string) { m.inputs.WithLabelValues(kind).Inc() }

// Conflict tells of a commit that is made anew.
func (m *Metrics) Conflict() { m.conflicts.Inc() }

// Due tells how late an episode was told that its time had come.
func (m *Metrics) Due(lag time.Duration) { m.schedulerLag.Observe(max(0, lag.Seconds())) }

// Notified tells of a call of a Subscription's endpoint.
func (m *Metrics) Notified(outcome string) { m.notifications.WithLabelValues(outcome).Inc() }

// Ended tells of an episode whose plan is completed; a zero firstRelease or bandTime is one that
// there was not.
func (m *Metrics) Ended(bleeds int, firstRelease, bandTime time.Duration) {
	m.bleeds.Add(float64(bleeds))
	if firstRelease > 0 {
		m.firstRelease.Observe(firstRelease.Seconds())
	}
	if bandTime > 0 {
		m.bandTime.Observe(bandTime.Seconds())
	}
}

func counter(name, help string) prometheus.Counter {
	return prometheus.NewCounter(prometheus.CounterOpts{Name: name, Help: help})
}

func counters(name, help string, labels ...string) *prometheus.CounterVec {
	return prometheus.NewCounterVec(prometheus.CounterOpts{Name: name, Help: help}, labels)
}

func histogram(name, help string, bounds []float64) prometheus.Histogram {
	return prometheus.NewHistogram(prometheus.HistogramOpts{Name: name, Help: help, Buckets: bounds})
}

func histograms(name, help string, bounds []float64, labels ...string) *prometheus.HistogramVec {
	return prometheus.NewHistogramVec(prometheus.HistogramOpts{Name: name, Help: help, Buckets: bounds}, labels)
}
