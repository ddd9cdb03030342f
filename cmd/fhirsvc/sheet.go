package main

import (
	"context"
	_ "embed"
	"errors"
	"fmt"
	"html/template"
	"os"
	"time"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/workflow"
)

const sheetHelp = `Usage: fhirsvc sheet FILE

Writes a page to print (HTML, on stdout) from a protocol, a PlanDefinition as .json: what to
look at and when, with boxes to write in, for the hours in which this service is away. All
its numbers are the protocol's, or follow from them by adding. Print it before it is needed.
How its facts are charted afterwards: docs/operations.md.
`

//go:embed sheet.html
var sheetPage string

func runSheet(_ context.Context, args []string, out surroundings) error {
	f := newFlags("sheet", out, sheetHelp)
	if err := parseFlags(f, args, out); err != nil {
		return err
	}
	if f.NArg() != 1 {
		return usageError{errors.New("sheet: want one file with a protocol")}
	}
	body, err := os.ReadFile(f.Arg(0))
	if err != nil {
		return usageError{err}
	}
	p, issues := fhir.ParseProtocol(body)
	if p == nil {
		var faults []error
		for _, i := range issues {
			faults = append(faults, errors.New(i.String()))
		}
		return fmt.Errorf("%s: %w", f.Arg(0), errors.Join(faults...))
	}
	page, err := template.New("sheet").Funcs(template.FuncMap{"span": span}).Parse(sheetPage)
	if err != nil {
		return err
	}
	return page.Execute(out.stdout, sheet{p, lines(p)})
}

// sheet is what the page is made from.
type sheet struct {
	*workflow.Protocol
	Lines []line
}

// line is a row of the table: what is due, counted from the start of compression, as long as
// nothing bleeds.
type line struct {
	At   time.Duration
	What string
}

// lines are the looks until the first release, and the steps until the largest start volume
// that the protocol plans for is out.
func lines(p *workflow.Protocol) []line {
	all := []line{{p.ArrivalDue, "arrival: site, hand, volume"}}
	at := time.Duration(0)
	for n := 1; ; n++ {
		every := p.SiteCheckThen
		if n <= p.SiteCheckCount {
			every = p.SiteCheckFirst
		}
		if at += every; every <= 0 || at >= p.FirstRelease {
			break
		}
		if at > p.ArrivalDue {
			all = append(all, line{at, "look at site and hand"})
		}
	}
	left := p.InitialMax
	for n := 0; left.Sign() > 0; n++ {
		step := p.Step
		if p.StepParts > 0 {
			break // a part of what is in the band: the nurse writes it
		}
		all = append(all, line{p.FirstRelease + time.Duration(n)*p.Interval, "if dry: let " + step.String() + " mL out, look again after " + span(p.WatchAfterStep)})
		left = left.Sub(step)
	}
	return all
}

// span writes a duration as hours and minutes.
func span(d time.Duration) string {
	if d < time.Hour {
		return fmt.Sprintf("%d min", int(d.Minutes()))
	}
	return fmt.Sprintf("%d h %02d min", int(d.Hours()), int(d.Minutes())%60)
}
