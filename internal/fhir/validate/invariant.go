package validate

import (
	"fmt"

	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/fhirpath"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
)

// invariant is a published rule ready to run.
type invariant struct {
	key     string
	human   string
	warning bool
	program *fhirpath.Program
}

// compileAll makes the invariants ready, those apart that are written in Go.
func compileAll(constraints []definitions.Constraint) []invariant {
	var out []invariant
	for _, c := range constraints {
		if native(c.Key) {
			continue
		}
		c = repaired(c)
		p, err := fhirpath.Compile(c.Expression)
		if err != nil {
			panic(fmt.Errorf("invariant %s: %w", c.Key, err)) // a test compiles every published one
		}
		out = append(out, invariant{key: c.Key, human: c.Human, warning: c.Warning, program: p})
	}
	return out
}

// native names the invariants that are checked in Go, since they apply to every
// element, look at the whole resource, or need to read XHTML. A test holds each
// against its published expression.
func native(key string) bool {
	switch key {
	case "ele-1", "ext-1", "ref-1", "dom-2", "dom-3", "dom-4", "dom-5", "dom-6", "txt-1", "txt-2":
		return true
	}
	return false
}

// invariants runs rules on an element: only true passes.
func (w *walker) invariants(rules []invariant, focus fhirpath.Value, at *tree.Node) {
	for i := range rules {
		r := &rules[i]
		w.env.Reset()
		truth, err := r.program.Test(w.env, focus)
		if truth == fhirpath.True && err == nil {
			continue
		}
		w.broken(r.key, r.human, r.warning, err, at)
	}
}

func (w *walker) broken(key, human string, warning bool, err error, at *tree.Node) {
	i := outcome.Issue{Severity: outcome.SeverityError, Code: outcome.CodeInvariant, Rule: key, Details: human}
	if warning {
		i.Severity = outcome.SeverityWarning
	}
	if err != nil {
		i.Diagnostics = err.Error()
	}
	w.report(i, at, "")
}
