package conventions

import (
	"fmt"
	"go/ast"
	"io/fs"
	"slices"
	"testing"
	"testing/fstest"
)

// inexact are the names by which a binary float enters: its types and the functions
// that read or write one.
var inexact = []string{"float32", "float64", "complex64", "complex128", "ParseFloat", "FormatFloat", "AppendFloat"}

// noFloats: where clinical numbers live there are decimals, which keep what was
// written; a binary float turns 0.1 mL into something near it.
func noFloats(t *testing.T, tree fs.FS) []string {
	t.Helper()
	var faults []string
	for _, p := range files(t, tree, isProduct, "internal/workflow", "internal/fhir") {
		set, file := goFile(t, tree, p)
		ast.Inspect(file, func(n ast.Node) bool {
			if id, ok := n.(*ast.Ident); ok && slices.Contains(inexact, id.Name) {
				faults = append(faults, fmt.Sprintf("%s:%d: %s; clinical numbers are decimals", p, set.Position(id.Pos()).Line, id.Name))
			}
			return true
		})
	}
	return faults
}

func TestNoFloats(t *testing.T) {
	holds(t, noFloats)
	judges(t, noFloats, fstest.MapFS{
		"internal/workflow/x.go":      text("package workflow", "// never a float64", `const s = "float64"`),
		"internal/workflow/x_test.go": text("package workflow", "var x float64"),
		"internal/rest/x.go":          text("package rest", "var seconds float64"),
	}, map[string]fstest.MapFS{
		"a variable":         {"internal/workflow/x.go": text("package workflow", "var x float64")},
		"a field":            {"internal/fhir/x.go": text("package fhir", "type q struct{ value float32 }")},
		"a conversion":       {"internal/fhir/tree/x.go": text("package tree", "var x = float64(1)")},
		"a type parameter":   {"internal/workflow/x.go": text("package workflow", "type n interface{ ~float64 }")},
		"a parsed number":    {"internal/fhir/x.go": text("package fhir", `import "strconv"`, `var x, _ = strconv.ParseFloat("1", 64)`)},
		"one further inside": {"internal/workflow/a/b/x.go": text("package b", "func f(x float64) {}")},
	})
}
