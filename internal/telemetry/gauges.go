package telemetry

import (
	"context"
	"log/slog"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"fhirsvc/internal/fhir/outcome"
)

// Reading is one value of a gauge; Label is the value of its only label, "" for a gauge
// without one.
type Reading struct {
	Label string
	Value float64
}

// Gauge is asked for its readings.
type Gauge struct {
	Name, Help string
	Label      string // the name of its only label, "" for none
	Read       func(ctx context.Context) ([]Reading, error)
}

// How long a reading is good for, so that many scrapers cost no more than one, and how long a
// round of them may take.
const (
	fresh   = 10 * time.Second
	patient = 5 * time.Second
)

// Watch adds gauges. One that can't be read is left out of the scrape, and the log says so: an
// old figure would look like a good one.
func (m *Metrics) Watch(log *slog.Logger, gauges ...Gauge) {
	g := &gaugeCollector{log: log, gauges: gauges}
	for _, one := range gauges {
		var labels []string
		if one.Label != "" {
			labels = []string{one.Label}
		}
		g.descs = append(g.descs, prometheus.NewDesc(one.Name, one.Help, labels, nil))
	}
	m.registry.MustRegister(g)
}

type gaugeCollector struct {
	log    *slog.Logger
	gauges []Gauge
	descs  []*prometheus.Desc

	mu    sync.Mutex
	at    time.Time
	known [][]Reading
}

// Describe names the gauges.
func (g *gaugeCollector) Describe(to chan<- *prometheus.Desc) {
	for _, d := range g.descs {
		to <- d
	}
}

// Collect gives their readings.
func (g *gaugeCollector) Collect(to chan<- prometheus.Metric) {
	for i, readings := range g.readings() {
		for _, r := range readings {
			var labels []string
			if g.gauges[i].Label != "" {
				labels = []string{r.Label}
			}
			to <- prometheus.MustNewConstMetric(g.descs[i], prometheus.GaugeValue, r.Value, labels...)
		}
	}
}

func (g *gaugeCollector) readings() [][]Reading {
	g.mu.Lock()
	defer g.mu.Unlock()
	if time.Since(g.at) < fresh {
		return g.known
	}
	ctx, cancel := context.WithTimeout(context.Background(), patient)
	defer cancel()
	g.known = make([][]Reading, len(g.gauges))
	for i, one := range g.gauges {
		readings, err := one.Read(ctx)
		if err != nil {
			g.log.Warn("gauge not read", "kind", outcome.KindOf(err), "error", err)
			continue
		}
		g.known[i] = readings
	}
	g.at = time.Now()
	return g.known
}
