package conventions

import (
	"fmt"
	"io/fs"
	"path"
	"regexp"
	"slices"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/require"
)

var (
	decisionFile = regexp.MustCompile(`^\d{4}-[a-z0-9-]+\.md$`)
	decisionLink = regexp.MustCompile(`\]\((\d{4}-[a-z0-9-]+\.md)\)`)
	decisionForm = []*regexp.Regexp{
		regexp.MustCompile(`(?m)^# \d{4}: .`),
		regexp.MustCompile(`(?m)^- Status: .`),
		regexp.MustCompile(`(?m)^- Date: (\d{4}-\d{2}-\d{2}|YYYY-MM-DD)$`),
		regexp.MustCompile(`(?m)^## Context$`),
		regexp.MustCompile(`(?m)^## Decision$`),
		regexp.MustCompile(`(?m)^## Consequences$`),
	}
)

// decisions: the index lists every decision and nothing else, no number is given twice,
// and each page has its five parts.
func decisions(t *testing.T, tree fs.FS) []string {
	t.Helper()
	index, err := fs.ReadFile(tree, "docs/adr/README.md")
	require.NoError(t, err)
	var listed []string
	for _, link := range decisionLink.FindAllSubmatch(index, -1) {
		listed = append(listed, string(link[1]))
	}
	var faults, found []string
	numbers := map[string]string{}
	for _, p := range files(t, tree, func(p string) bool { return path.Base(p) != "README.md" }, "docs/adr") {
		name := path.Base(p)
		found = append(found, name)
		if !decisionFile.MatchString(name) {
			faults = append(faults, p+": a decision is named NNNN-title.md")
			continue
		}
		if !slices.Contains(listed, name) {
			faults = append(faults, p+": not in the index, docs/adr/README.md")
		}
		if other := numbers[name[:4]]; other != "" {
			faults = append(faults, fmt.Sprintf("%s: has the number of %s", p, other))
		}
		numbers[name[:4]] = name
		faults = append(faults, malformed(t, tree, p)...)
	}
	for _, name := range listed {
		if !slices.Contains(found, name) {
			faults = append(faults, "docs/adr/README.md: lists "+name+", which is not there")
		}
	}
	return faults
}

func malformed(t *testing.T, tree fs.FS, p string) []string {
	t.Helper()
	page, err := fs.ReadFile(tree, p)
	require.NoError(t, err)
	var faults []string
	for _, part := range decisionForm {
		if !part.Match(page) {
			faults = append(faults, fmt.Sprintf("%s: has nothing like %s", p, part))
		}
	}
	return faults
}

func TestDecisions(t *testing.T) {
	page := []string{"# 0001: Title", "- Status: accepted", "- Date: 2026-11-25", "## Context", "## Decision", "## Consequences"}
	without := func(i int) *fstest.MapFile { return text(slices.Delete(slices.Clone(page), i, i+1)...) }
	index := text("[0001](0001-x.md)")
	bad := map[string]fstest.MapFS{
		"a page not in the index": {"docs/adr/README.md": text("none"), "docs/adr/0001-x.md": text(page...)},
		"an index to nothing":     {"docs/adr/README.md": index},
		"a page of another name":  {"docs/adr/README.md": text("none"), "docs/adr/x.md": text(page...)},
		"a number given twice": {
			"docs/adr/README.md": text("[1](0001-x.md) [1](0001-y.md)"),
			"docs/adr/0001-x.md": text(page...), "docs/adr/0001-y.md": text(page...),
		},
	}
	for i, part := range page {
		bad["a page without "+part] = fstest.MapFS{"docs/adr/README.md": index, "docs/adr/0001-x.md": without(i)}
	}
	holds(t, decisions)
	judges(t, decisions, fstest.MapFS{"docs/adr/README.md": index, "docs/adr/0001-x.md": text(page...)}, bad)
}

var directly = regexp.MustCompile(`(?m)^(?:require )?\s*(\S+\.\S+/?\S*) v\S+$`)

// dependencies: each module that go.mod requires directly is named, as a whole, in a
// decision that says why.
func dependencies(t *testing.T, tree fs.FS) []string {
	t.Helper()
	mod, err := fs.ReadFile(tree, "go.mod")
	require.NoError(t, err)
	var pages strings.Builder
	for _, p := range files(t, tree, anyFile, "docs/adr") {
		page, err := fs.ReadFile(tree, p)
		require.NoError(t, err)
		pages.Write(page)
	}
	var faults []string
	for _, m := range directly.FindAllSubmatch(mod, -1) {
		if module := string(m[1]); !strings.Contains(pages.String(), "`"+module+"`") {
			faults = append(faults, "go.mod: no decision says why "+module+" is needed")
		}
	}
	return faults
}

func TestDependencies(t *testing.T) {
	mod := text("module x", "", "go 1.26.0", "", "require (", "\ta.example/b/v2 v2.0.0", "\tc.example/d v1.0.0 // indirect", ")")
	holds(t, dependencies)
	judges(t, dependencies, fstest.MapFS{
		"go.mod": mod, "docs/adr/0001-x.md": text("`a.example/b/v2` because"),
	}, map[string]fstest.MapFS{
		"one without a reason":      {"go.mod": mod},
		"one in a line of its own":  {"go.mod": text("module x", "require a.example/b v1.0.0")},
		"one that is named in part": {"go.mod": mod, "docs/adr/0001-x.md": text("`a.example/b` because")},
	})
}
