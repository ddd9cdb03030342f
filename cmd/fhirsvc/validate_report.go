package main

import (
	"bufio"
	"fmt"
	"io"
	"strings"
	"sync/atomic"
	"time"

	"golang.org/x/text/language"
	"golang.org/x/text/message"

	"fhirsvc/internal/fhir/outcome"
)

// tally writes what was found and counts it. Only the counts that are shown while it
// runs may be read beside it.
type tally struct {
	out       *bufio.Writer
	format    string
	resources atomic.Int64
	errors    atomic.Int64
	warnings  int64
	remarks   int64
	faulty    int64 // resources with an error
	held      int64 // resources held to the profile that was asked for
	writing   error // why no more can be written
}

func newTally(w io.Writer, format string) *tally {
	return &tally{out: bufio.NewWriterSize(w, 64<<10), format: format}
}

// add writes one resource's issues.
func (r *tally) add(j *judgement) {
	r.resources.Add(1)
	if j.held {
		r.held++
	}
	if outcome.HasErrors(j.issues) {
		r.faulty++
	}
	for _, i := range j.issues {
		r.count(i.Severity)
	}
	if r.format == formatJSON {
		r.json(j)
		return
	}
	for _, i := range j.issues {
		r.line("%s %s %s %s %s\n", place(j.file, i), i.Severity, i.Code, orDash(i.Expression), oneLine(i.Details))
	}
}

func (r *tally) count(s outcome.Severity) {
	switch s {
	case outcome.SeverityFatal, outcome.SeverityError:
		r.errors.Add(1)
	case outcome.SeverityWarning:
		r.warnings++
	case outcome.SeverityInformation:
		r.remarks++
	}
}

// json writes one OperationOutcome; the place of a fault has no element in R4's.
func (r *tally) json(j *judgement) {
	issues := make([]outcome.Issue, 0, len(j.issues)+1)
	for _, i := range j.issues {
		i.Diagnostics = place(j.file, i)
		issues = append(issues, i)
	}
	if len(issues) == 0 {
		issues = append(issues, outcome.Issue{
			Severity: outcome.SeverityInformation, Code: outcome.CodeInformational, Details: "all OK",
			Diagnostics: fmt.Sprintf("%s:%d:1", j.file, j.line),
		})
	}
	r.line("%s\n", outcome.JSON(issues))
}

func (r *tally) line(format string, args ...any) {
	if _, err := fmt.Fprintf(r.out, format, args...); err != nil {
		r.writing = err
	}
}

func (r *tally) flush() {
	if err := r.out.Flush(); err != nil {
		r.writing = err
	}
}

func place(file string, i outcome.Issue) string { return fmt.Sprintf("%s:%d:%d", file, i.Line, i.Col) }

func orDash(s string) string {
	if s == "" {
		return "-"
	}
	return s
}

// oneLine keeps a text that quotes content on its line.
func oneLine(s string) string { return strings.NewReplacer("\r", " ", "\n", " ").Replace(s) }

// progress is how far a check is.
func (r *tally) progress(took time.Duration) string {
	return fmt.Sprintf("%s, %s, %s", counted(r.resources.Load(), "resource"), counted(r.errors.Load(), "error"), r.speed(took))
}

// summary is what all came to.
func (r *tally) summary(files, others int, took time.Duration) string {
	aside := ""
	if others > 0 {
		aside = " (" + counted(int64(others), "other file") + " left aside)"
	}
	return fmt.Sprintf("%s in %s%s: %s, %s, %s; %s",
		counted(r.resources.Load(), "resource"), counted(int64(files), "file"), aside,
		counted(r.errors.Load(), "error"), counted(r.warnings, "warning"), counted(r.remarks, "remark"), r.speed(took))
}

func (r *tally) speed(took time.Duration) string {
	return thousands(int64(float64(r.resources.Load())/max(took, time.Microsecond).Seconds())) + "/s"
}

// thousands writes a number as 1,204.
func thousands(n int64) string { return message.NewPrinter(language.English).Sprintf("%d", n) }

// counted says a number of things: "1 file", "1,204 files".
func counted(n int64, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	return thousands(n) + " " + thing + "s"
}
