package load

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"sync"
	"text/tabwriter"
	"time"
)

// The kinds of requests that are told apart, in the order of the table.
const (
	kindEvent = "event"
	kindChart = "chart"
	kindTask  = "task"
	kindLook  = "look"
)

// Figures are what a run has come to. They may be written while it runs.
type Figures struct {
	mu      sync.Mutex
	began   time.Time
	ended   time.Time
	Begun   int // cases
	Done    int // that were played to their end
	Held    int // that did not begin, because too many were under way
	Broken  int // that an error ended
	Faults  []string
	latency map[string][]time.Duration
	errors  map[string]int
}

const mostFaults = 5

func newFigures() *Figures {
	return &Figures{began: time.Now(), latency: map[string][]time.Duration{}, errors: map[string]int{}}
}

// watch counts one request.
func (f *Figures) watch(method, path string, took time.Duration, status int) {
	kind := kindLook
	switch {
	case method == "PUBLISH", strings.HasSuffix(path, "$process-message"):
		kind = kindEvent
	case method == "POST":
		kind = kindChart
	case method == "PATCH":
		kind = kindTask
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	f.latency[kind] = append(f.latency[kind], took)
	if status < 200 || status > 299 {
		f.errors[kind]++
	}
}

func (f *Figures) add(count *int) {
	f.mu.Lock()
	defer f.mu.Unlock()
	*count++
}

func (f *Figures) broken(err error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.Broken++
	if len(f.Faults) < mostFaults {
		f.Faults = append(f.Faults, err.Error())
	}
}

// Acknowledged is how many inputs (events, findings, changes of Tasks) the service has
// acknowledged.
func (f *Figures) Acknowledged() int {
	f.mu.Lock()
	defer f.mu.Unlock()
	n := 0
	for _, kind := range []string{kindEvent, kindChart, kindTask} {
		n += len(f.latency[kind]) - f.errors[kind]
	}
	return n
}

// Wrong is how many requests were answered by an error, or not at all.
func (f *Figures) Wrong() int {
	f.mu.Lock()
	defer f.mu.Unlock()
	n := 0
	for _, errors := range f.errors {
		n += errors
	}
	return n
}

// Line is how far the run is.
func (f *Figures) Line() string {
	acknowledged := f.Acknowledged()
	f.mu.Lock()
	defer f.mu.Unlock()
	return fmt.Sprintf("%4.0f s: %d cases begun, %d done, %d broken off, %d held back; %d inputs acknowledged",
		time.Since(f.began).Seconds(), f.Begun, f.Done, f.Broken, f.Held, acknowledged)
}

// Write writes the table: what was asked, how often a second, how long it took, how often it
// went wrong.
func (f *Figures) Write(w io.Writer) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	seconds := f.ended.Sub(f.began).Seconds()
	table := tabwriter.NewWriter(w, 0, 0, 2, ' ', tabwriter.AlignRight)
	row := func(cells ...string) { _, _ = fmt.Fprintln(table, strings.Join(cells, "\t")+"\t") } // its Flush tells
	row("", "number", "per second", "p50", "p99", "p99.9", "most", "errors")
	for _, kind := range []string{kindEvent, kindChart, kindTask, kindLook} {
		all := slices.Sorted(slices.Values(f.latency[kind]))
		if len(all) == 0 {
			continue
		}
		row(kind, fmt.Sprint(len(all)), fmt.Sprintf("%.1f", float64(len(all))/seconds),
			ms(share(all, 0.5)), ms(share(all, 0.99)), ms(share(all, 0.999)), ms(all[len(all)-1]), fmt.Sprint(f.errors[kind]))
	}
	return table.Flush()
}

// share gives the value that a share of the sorted values does not exceed.
func share(sorted []time.Duration, p float64) time.Duration {
	return sorted[min(int(p*float64(len(sorted))), len(sorted)-1)]
}

func ms(d time.Duration) string { return fmt.Sprintf("%.1f ms", float64(d.Microseconds())/1000) }
