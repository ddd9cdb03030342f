package validate

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
)

// step is one step of the way from the root to an element.
type step struct {
	label *label
	index int // -1 when the element does not repeat
}

// label is how a step is written.
type label struct {
	name string
	typ  string // type of a choice, "" otherwise
}

// labelOf gives the label of a member.
func labelOf(m *definitions.Member) *label {
	l := &label{name: m.Element.Name}
	if m.Element.Choice {
		l.typ = m.Type.Name
	}
	return l
}

// placed is an issue with its place in the text, for sorting.
type placed struct {
	issue  outcome.Issue
	node   *tree.Node
	offset int
}

// report notes an issue at the current element, or at one of its children when
// below names it. It says nothing twice. Errors are bounded apart from the rest, so
// that warnings never hide them. What a profile advises is a warning at most.
func (w *walker) report(i outcome.Issue, at *tree.Node, below string) {
	if w.tried(&i) {
		return
	}
	if w.advice != "" {
		i.Rule = w.advice + "#" + i.Rule
		if i.Severity == outcome.SeverityError {
			i.Severity = outcome.SeverityWarning
		}
	}
	isError := i.Severity == outcome.SeverityError
	count := &w.errors
	if !isError {
		count = &w.remarks
	}
	if *count >= w.v.options.MaxIssues {
		w.full = w.full || isError
		return
	}
	i.Expression = w.expression(below)
	for _, q := range w.reported {
		if q.issue.Rule == i.Rule && q.issue.Expression == i.Expression && q.issue.Details == i.Details {
			return
		}
	}
	*count++
	w.reported = append(w.reported, placed{issue: i, node: at, offset: w.doc.Offset(at)})
}

func (w *walker) errorf(at *tree.Node, below string, code outcome.Code, rule, format string, args ...any) {
	w.report(outcome.Issue{
		Severity: outcome.SeverityError, Code: code, Rule: rule, Details: fmt.Sprintf(format, args...),
	}, at, below)
}

func (w *walker) warnf(at *tree.Node, below string, code outcome.Code, rule, format string, args ...any) {
	w.report(outcome.Issue{
		Severity: outcome.SeverityWarning, Code: code, Rule: rule, Details: fmt.Sprintf(format, args...),
	}, at, below)
}

func (w *walker) informf(at *tree.Node, below string, code outcome.Code, rule, format string, args ...any) {
	w.report(outcome.Issue{
		Severity: outcome.SeverityInformation, Code: code, Rule: rule, Details: fmt.Sprintf(format, args...),
	}, at, below)
}

// expression writes the way to the current element in FHIRPath.
func (w *walker) expression(below string) string {
	b := w.text[:0]
	for i := range w.path {
		s := &w.path[i]
		if i > 0 {
			b = append(b, '.')
		}
		b = append(b, s.label.name...)
		if s.label.typ != "" {
			b = append(append(append(b, ".ofType("...), s.label.typ...), ')')
		}
		if s.index >= 0 {
			b = append(strconv.AppendInt(append(b, '['), int64(s.index), 10), ']')
		}
	}
	if below != "" {
		b = append(append(b, '.'), below...)
	}
	w.text = b
	return string(b)
}

// result gives the issues in the order of the text.
func (w *walker) result() []outcome.Issue {
	if len(w.reported) == 0 {
		return nil
	}
	inOrder := func(a, b placed) int { return a.offset - b.offset }
	if !slices.IsSortedFunc(w.reported, inOrder) {
		slices.SortStableFunc(w.reported, inOrder)
	}
	out := make([]outcome.Issue, 0, len(w.reported)+1)
	locate := w.doc.Locator()
	for _, p := range w.reported {
		if p.node != nil {
			p.issue.Line, p.issue.Col = locate(p.node)
		}
		out = append(out, p.issue)
	}
	if w.full {
		out = append(out, outcome.Errorf(outcome.CodeTooCostly, "",
			"there are more errors than the %d shown: correct these first", w.v.options.MaxIssues))
	}
	return out
}

// clip keeps a quoted value short.
func clip(s string) string {
	const longest = 60
	if len(s) <= longest {
		return s
	}
	return strings.ToValidUTF8(s[:longest], "") + "…"
}
