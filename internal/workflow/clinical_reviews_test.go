package workflow_test

import (
	"bytes"
	"fmt"
	"go/ast"
	"go/parser"
	"go/printer"
	"go/token"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/workflow"
)

// review is a row of the table of reviews. Cause and priority are written as in the core,
// which the test compares; the rest is for people.
type review struct {
	cause     string // expression in the core
	priority  workflow.Priority
	expr      string // of the priority where it is no constant
	withholds bool
	name      string // as the Task's purpose shows it
	why       string
	answer    string // beside a completed review; "" for nothing else
}

func reviews() []review {
	const r, u, s = workflow.Routine, workflow.Urgent, workflow.Stat
	again := "asked anew when it is found again after it was put right"
	return []review{
		{cause: `v.bleedCause()`, priority: s, name: "bleeding-N", why: "the site bleeds with the band at its maximum, or active bleeding is not held after air was put back"},
		{cause: `v.bleedCause()`, priority: r, name: "bleeding-N", why: "as many bleeds as the protocol's `review-bleeds`"},
		{cause: `causeAfterRemoval`, priority: u, name: "bleeding-after-removal", why: "the site bled after the band was off", answer: "haemostasis ends the cause, an open review stays"},
		{cause: `string(Hand)`, priority: s, withholds: true, name: "hand-check", why: "the hand may be in danger", answer: "a normal hand ends the withholding"},
		{cause: `string(Hand)`, priority: u, withholds: true, name: "hand-check", why: "the hand is no better after the protocol's `ease-retest`", answer: "a normal hand ends the withholding"},
		{cause: `string(Haematoma)`, expr: "priority", withholds: true, name: "access-site-haematoma", why: "a haematoma; how urgent by grade, size and growth", answer: "no haematoma ends the withholding"},
		{cause: `string(Condition)`, priority: s, withholds: true, name: "general-condition", why: "the patient is faint, collapsed or has chest pain, or is unwell with a low or fallen pressure"},
		{cause: `string(Pressure)`, priority: u, name: "systolic-pressure", why: "a low systolic pressure", answer: "a higher pressure ends the cause"},
		{cause: `cause`, priority: s, withholds: true, name: "systolic-pressure, general-condition", why: "a low or fallen pressure in an unwell patient"},
		{cause: `string(CompressionStart)`, priority: u, withholds: true, name: "compression-start", why: "compression was charted to have started long before what the event told"},
		{cause: `string(Pulse)`, priority: u, withholds: true, name: "distal-pulse", why: "the distal pulse is absent", answer: "a normal pulse ends the withholding"},
		{cause: `string(Pain)`, priority: u, name: "pain-score", why: "strong pain, or pain that rose after air was let out", answer: "less pain ends the cause"},
		{cause: `string(Anticoagulant)`, priority: u, withholds: true, name: "anticoagulant-given", why: "an anticoagulant was given while the band is on", answer: "an order of the time of the next step"},
		{cause: `causePrescriber`, priority: u, withholds: false, name: "prescriber-time", why: "a drug was given for which the protocol asks a prescriber for the time of the first release; the step waits", answer: "the order of the time, and nothing else"},
		{cause: `causePrescriber`, priority: u, withholds: true, name: "prescriber-time", why: "such a drug was told by a corrected event after air was let out", answer: "the order of the time"},
		{cause: `oddBand(f.Answer)`, priority: u, withholds: true, name: "band-displaced, band-over-ulnar", why: "the band is not where it should be", answer: again},
		{cause: `"band-replaced"`, priority: u, name: "band-replaced", why: "another band is on; no step before its volume is told"},
		{cause: `"band-on-again"`, priority: u, name: "band-on-again", why: "a band is on again after it was off; no step before its volume is told"},
		{cause: `"band-never-applied"`, priority: u, name: "band-never-applied", why: "there never was a band"},
		{cause: `"occluded-after-removal"`, priority: u, name: "occluded-after-removal", why: "the artery is not open after the band came off", answer: "a test that shows it open ends the cause"},
		{cause: `"bleeding-and-not-patent"`, priority: u, name: "bleeding-and-not-patent", why: "the site bleeds and the artery is not open", answer: "a test that shows it open ends the cause"},
		{cause: `"easing-without-success"`, priority: u, name: "easing-without-success", why: "not shown open after as many easings as the protocol's `ease-tries`", answer: "a test that shows it open ends the cause"},
		{cause: `"easing-and-bleeding"`, priority: u, name: "easing-and-bleeding", why: "easing and bleeding took turns twice; easing has stopped"},
		{cause: `"not-shown-patent-at-empty"`, priority: r, name: "not-shown-patent-at-empty", why: "no test showed the artery open with no air in the band; removal is offered all the same"},
		{cause: `"band-time"`, priority: r, name: "band-time", why: "the band has been on longer than the protocol's `alert-band-time`"},
		{cause: `"side-corrected"`, priority: u, withholds: true, name: "side-corrected", why: "the wrist was corrected"},
		{cause: `"patient-corrected"`, priority: u, withholds: true, name: "patient-corrected", why: "the patient was corrected"},
		{cause: `"procedure-corrected"`, priority: u, withholds: true, name: "procedure-corrected", why: "the kind of procedure was corrected; the plan keeps its protocol"},
		{cause: `"second-procedure"`, priority: u, withholds: true, name: "second-procedure", why: "another plan is open on this wrist"},
		{cause: `"no-protocol"`, priority: u, name: "no-protocol", why: "no approved protocol fits, or more than one does; nothing is released"},
		{cause: `"event-incomplete"`, priority: r, name: "event-incomplete", why: "parts of the event could not be used"},
		{cause: `"left-with-band"`, priority: u, withholds: true, name: "left-with-band", why: "the encounter ended with the band on"},
		{cause: `"left-without-discharge-check"`, priority: r, name: "left-without-discharge-check", why: "the patient left without the check before discharge"},
		{cause: `"discharge-without-proof"`, priority: r, name: "discharge-without-proof", why: "the check before discharge did not show an open artery"},
		{cause: `m.overdueCause(t.Key.Code)`, priority: u, name: "overdue-(Task)", why: "a Task that nobody did, at the protocol's grace for a clinician"},
		{cause: `"refused-" + string(t.Key.Code)`, priority: r, name: "refused-(Task)", why: "the patient refused a Task"},
	}
}

// key is the row as the core has it.
func (r review) key() string {
	expr := r.expr
	if expr == "" {
		expr = strings.ToUpper(string(r.priority[:1])) + string(r.priority[1:])
	}
	return fmt.Sprintf("%s %s withholds=%t", r.cause, expr, r.withholds)
}

// TestClinicalReviews: the table of reviews has each concern that the core raises, with its
// priority and whether it withholds releases, and no other.
func TestClinicalReviews(t *testing.T) {
	raised := map[string]bool{}
	for _, c := range concerns(t) {
		raised[c] = true
	}
	rows := [][]string{{"cause", "when", "priority", "due, and called again every", "steps wait", "what answers it beside its completion"}}
	for _, r := range reviews() {
		require.True(t, raised[r.key()], "the core raises no %s", r.key())
		delete(raised, r.key())
		priority, every := "by grade, size and growth", "5, 15 or 60 min"
		if r.expr == "" {
			priority, every = string(r.priority), fmt.Sprintf("%.0f min", reviewEvery(r.priority).Minutes())
		}
		waits := "no"
		if r.withholds {
			waits = "yes"
		}
		rows = append(rows, []string{r.name, r.why, priority, every, waits, orElse(r.answer, "–")})
	}
	require.Empty(t, raised, "the core raises what the table does not have")
	checkMade(t, "reviews", table(rows))
}

// concerns finds what the core raises: calls of concern and withhold, and concerns as they
// stand.
func concerns(t *testing.T) []string {
	t.Helper()
	names, err := filepath.Glob("*.go")
	require.NoError(t, err)
	var list []string
	for _, name := range names {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		set := token.NewFileSet()
		file, err := parser.ParseFile(set, name, nil, 0)
		require.NoError(t, err)
		show := func(e ast.Expr) string {
			var b bytes.Buffer
			require.NoError(t, printer.Fprint(&b, set, e))
			return b.String()
		}
		ast.Inspect(file, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.CallExpr:
				if f, ok := n.Fun.(*ast.SelectorExpr); ok && (f.Sel.Name == "concern" || f.Sel.Name == "withhold") {
					list = append(list, fmt.Sprintf("%s %s withholds=%t", show(n.Args[0]), show(n.Args[1]), f.Sel.Name == "withhold"))
				}
			case *ast.CompositeLit:
				if c := literal(n, show); c["cause"] != "" && c["cause"] != "cause" { // not within concern and withhold
					list = append(list, fmt.Sprintf("%s %s withholds=%t", c["cause"], c["priority"], c["withholds"] == "true"))
				}
			}
			return true
		})
	}
	return list
}

// literal gives the fields of a concern that stands as it is.
func literal(n *ast.CompositeLit, show func(ast.Expr) string) map[string]string {
	fields := map[string]string{}
	if id, ok := n.Type.(*ast.Ident); !ok || id.Name != "concern" {
		return fields
	}
	for _, e := range n.Elts {
		if kv, ok := e.(*ast.KeyValueExpr); ok {
			fields[show(kv.Key)] = show(kv.Value)
		}
	}
	return fields
}
