package conventions

import (
	"fmt"
	"io/fs"
	"path"
	"slices"
	"strings"
	"testing"
	"testing/fstest"
)

// aboutNothing are package names that say nothing of what the code is about.
var aboutNothing = []string{"common", "helpers", "misc", "models", "shared", "types", "util", "utils"}

// packages: each has one package comment, in doc.go (a command may have it in main.go),
// and a name that says what it is about.
func packages(t *testing.T, tree fs.FS) []string {
	t.Helper()
	names := map[string]string{}
	comments := map[string][]string{}
	for _, p := range files(t, tree, isProduct, "internal", "cmd") {
		_, file := goFile(t, tree, p)
		folder := path.Dir(p)
		names[folder] = file.Name.Name
		if file.Doc != nil && strings.TrimSpace(file.Doc.Text()) != "" {
			comments[folder] = append(comments[folder], path.Base(p))
		}
	}
	var faults []string
	for folder, name := range names {
		got := comments[folder]
		inPlace := len(got) == 1 && (got[0] == "doc.go" || name == "main" && got[0] == "main.go")
		switch {
		case len(got) == 0:
			faults = append(faults, folder+": no package comment; write one in doc.go")
		case !inPlace:
			faults = append(faults, fmt.Sprintf("%s: package comment in %s; have one, in doc.go", folder, strings.Join(got, ", ")))
		}
		if slices.Contains(aboutNothing, name) {
			faults = append(faults, fmt.Sprintf("%s: a package named %s is about nothing", folder, name))
		}
	}
	slices.Sort(faults)
	return faults
}

func TestPackages(t *testing.T) {
	doc, none := text("// Package x does x.", "package x"), text("package x")
	holds(t, packages)
	judges(t, packages, fstest.MapFS{
		"internal/x/doc.go":    doc,
		"internal/x/x.go":      none,
		"internal/x/x_test.go": none,
		"cmd/x/main.go":        text("// Command x does x.", "package main"),
		"cmd/x/config.go":      text("package main"),
		"tools/x.go":           none,
		"internal/y/doc.go":    text("//go:build linux", "", "// Package y does y.", "package y"),
	}, map[string]fstest.MapFS{
		"a package without a comment": {"internal/x/x.go": none},
		"a command without one":       {"cmd/x/main.go": text("package main")},
		"two comments":                {"internal/x/doc.go": doc, "internal/x/x.go": doc},
		"a comment elsewhere":         {"internal/x/x.go": doc},
		"a library's in main.go":      {"internal/x/main.go": doc},
		"a comment apart from it":     {"internal/x/doc.go": text("// Package x does x.", "", "package x")},
		"a build tag alone":           {"internal/x/doc.go": text("//go:build linux", "package x")},
		"a name about nothing":        {"internal/util/doc.go": text("// Package util does things.", "package util")},
	})
}
