package main

import (
	"fmt"
	"os"
	"regexp"
	"slices"
	"strings"

	"github.com/prometheus/prometheus/model/labels"
	"github.com/prometheus/prometheus/promql/parser"
)

// catalogue is what a page documents: each metric's own labels.
type catalogue map[string][]string

// ofTarget are the labels that a scrape puts on every series, and that of a histogram's buckets.
var ofTarget = []string{labels.MetricName, "job", "namespace", "instance", "pod"}

var (
	metricRow   = regexp.MustCompile("(?m)^\\| `([a-z_]+)` \\| (.*?) \\| ?(.*?) ?\\|$")
	quotedLabel = regexp.MustCompile("`([a-z_]+)`")
)

// readCatalogue reads the table of metrics: name, what it is, labels. The values of a label
// stand behind a colon.
func readCatalogue(page string) (catalogue, error) {
	text, err := os.ReadFile(page)
	if err != nil {
		return nil, err
	}
	c := catalogue{"up": nil, "process_resident_memory_bytes": nil} // Prometheus's own, and the process's
	for _, row := range metricRow.FindAllStringSubmatch(string(text), -1) {
		name, cell := row[1], row[3]
		cell, _, _ = strings.Cut(cell, "`:")
		if strings.Contains(row[3], "`:") {
			cell += "`"
		}
		names := []string{}
		for _, label := range quotedLabel.FindAllStringSubmatch(cell, -1) {
			names = append(names, label[1])
		}
		if strings.HasPrefix(row[2], "histogram") {
			for _, suffix := range []string{"_bucket", "_sum", "_count"} {
				c[name+suffix] = append(slices.Clone(names), "le")
			}
			continue
		}
		c[name] = names
	}
	if len(c) < 2 {
		return nil, fmt.Errorf("%s: documents no metric", page)
	}
	return c, nil
}

// faults says what an expression asks that is no PromQL, or not documented.
func (c catalogue) faults(expression string) []string {
	parsed, err := parser.NewParser(parser.Options{}).ParseExpr(expression)
	if err != nil {
		return []string{fmt.Sprintf("%s: %v", expression, err)}
	}
	var found []string
	var known []string
	parser.Inspect(parsed, func(node parser.Node, _ []parser.Node) error {
		if s, ok := node.(*parser.VectorSelector); ok {
			own, documented := c[s.Name]
			if !documented {
				found = append(found, fmt.Sprintf("%s: %q is not documented", expression, s.Name))
			}
			known = append(known, own...)
			for _, m := range s.LabelMatchers {
				if !slices.Contains(ofTarget, m.Name) && !slices.Contains(own, m.Name) {
					found = append(found, fmt.Sprintf("%s: %s has no label %q", expression, s.Name, m.Name))
				}
			}
		}
		return nil
	})
	parser.Inspect(parsed, func(node parser.Node, _ []parser.Node) error {
		if a, ok := node.(*parser.AggregateExpr); ok {
			for _, label := range a.Grouping {
				if !slices.Contains(ofTarget, label) && !slices.Contains(known, label) {
					found = append(found, fmt.Sprintf("%s: no metric in it has the label %q", expression, label))
				}
			}
		}
		return nil
	})
	return found
}
