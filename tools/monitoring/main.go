// Command monitoring tries what the chart gives to a monitoring, with Prometheus's own code.
//
//	monitoring alerts [-all] rendered.yaml docs/metrics.md tests.yaml
//	monitoring dashboard dashboard.json docs/metrics.md
//
// alerts plays tests in the format of promtool's unit tests
// (prometheus.io/docs/prometheus/latest/configuration/unit_testing_rules) against the rules of
// the PrometheusRule among the rendered objects; with -all each rule must have its tests.
// dashboard reads a dashboard's expressions. Both ask that every metric and label in an
// expression is one that the page documents.
//
// promtool itself is not used: it brings the clients of every cloud along, for finding targets.
package main

import (
	"errors"
	"flag"
	"fmt"
	"log"
	"os"
)

func main() {
	log.SetFlags(0)
	if err := run(os.Args[1:]); err != nil {
		log.Fatal(err)
	}
}

func run(args []string) error {
	usage := errors.New("usage: monitoring alerts [-all] RENDERED METRICS TESTS, or monitoring dashboard FILE METRICS")
	if len(args) == 0 {
		return usage
	}
	f := flag.NewFlagSet(args[0], flag.ContinueOnError)
	all := f.Bool("all", false, "want tests of every alert")
	if err := f.Parse(args[1:]); err != nil {
		return err
	}
	switch verb := args[0]; {
	case verb == "alerts" && f.NArg() == 3:
		return alerts(f.Arg(0), f.Arg(1), f.Arg(2), *all)
	case verb == "dashboard" && f.NArg() == 2:
		return dashboard(f.Arg(0), f.Arg(1))
	}
	return usage
}

// report prints what is right in a line, or makes an error of the faults.
func report(what string, faults []string) error {
	if len(faults) == 0 {
		fmt.Println(what)
		return nil
	}
	var errs []error
	for _, fault := range faults {
		errs = append(errs, errors.New(fault))
	}
	return errors.Join(errs...)
}
