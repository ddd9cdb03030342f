package conventions

import (
	"fmt"
	"io/fs"
	"path"
	"regexp"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/require"
)

// evidence are the pages that claim things of the code and must be able to show them.
var evidence = []string{"docs/clinical.md", "docs/risk.md"}

// Where a name without a folder lies.
const (
	coreFolder  = "internal/workflow/"
	storyFolder = "internal/workflow/testdata/scenario/"
)

var (
	quoted     = regexp.MustCompile("`([^`\n]+)`")
	codeBlock  = regexp.MustCompile("(?s)```.*?```")
	namedGo    = regexp.MustCompile(`^([a-z0-9_/]+\.go)(?::([A-Za-z]+))?$`)
	namedStory = regexp.MustCompile(`^[a-z0-9_]+\.txt$`)
	namedTest  = regexp.MustCompile(`^(Test[A-Za-z0-9]+)(?:: (.+))?$`)
	hazardRow  = regexp.MustCompile(`(?m)^\| (H\d+) \|.*$`)
)

// references: each file, function, story and test that the pages of evidence name is
// there. `file.go` and `file.go:function` are the core's unless a folder stands before
// them, `story.txt` is a bedside story, `TestName` a test, and `TestName: text` a test
// with that text in a string of its package (a rule of the model, a guard that a mutant
// takes out).
func references(t *testing.T, tree fs.FS) []string {
	t.Helper()
	known := declared(t, tree)
	var faults []string
	for _, page := range evidence {
		body, err := fs.ReadFile(tree, page)
		require.NoError(t, err)
		for _, m := range quoted.FindAllStringSubmatch(codeBlock.ReplaceAllString(string(body), ""), -1) {
			if why := known.lacks(t, tree, m[1]); why != "" {
				faults = append(faults, fmt.Sprintf("%s: `%s`: %s", page, m[1], why))
			}
		}
	}
	return faults
}

// testsOf are the folders in which a test of the name is declared.
type testsOf map[string][]string

func declared(t *testing.T, tree fs.FS) testsOf {
	t.Helper()
	tests := testsOf{}
	declaration := regexp.MustCompile(`(?m)^func (Test\w+)\(`)
	for _, p := range files(t, tree, isTest, "internal", "cmd") {
		source, err := fs.ReadFile(tree, p)
		require.NoError(t, err)
		for _, m := range declaration.FindAllStringSubmatch(string(source), -1) {
			tests[m[1]] = append(tests[m[1]], path.Dir(p))
		}
	}
	return tests
}

// lacks says what of a name is not there; "" if all is, or if it names nothing of ours.
func (k testsOf) lacks(t *testing.T, tree fs.FS, name string) string {
	t.Helper()
	switch {
	case namedTest.MatchString(name):
		return k.lacksTest(t, tree, name)
	case namedStory.MatchString(name):
		return absent(tree, storyFolder+name)
	case namedGo.MatchString(name):
		m := namedGo.FindStringSubmatch(name)
		file := m[1]
		if !strings.Contains(file, "/") {
			file = coreFolder + file
		}
		if why := absent(tree, file); why != "" || m[2] == "" {
			return why
		}
		source, err := fs.ReadFile(tree, file)
		require.NoError(t, err)
		if !regexp.MustCompile(`(?m)^func (\([^)]*\) )?` + m[2] + `[(\[]`).Match(source) {
			return "the file has no such function"
		}
	case strings.Contains(name, "/") && !strings.Contains(name, " "):
		return absent(tree, name)
	}
	return ""
}

func (k testsOf) lacksTest(t *testing.T, tree fs.FS, name string) string {
	t.Helper()
	m := namedTest.FindStringSubmatch(name)
	folders := k[m[1]]
	if len(folders) == 0 {
		return "there is no such test"
	}
	if m[2] == "" {
		return ""
	}
	for _, p := range files(t, tree, isTest, folders...) {
		source, err := fs.ReadFile(tree, p)
		require.NoError(t, err)
		if strings.Contains(string(source), `"`+m[2]+`"`) {
			return ""
		}
	}
	return "no such text in the tests beside it"
}

func absent(tree fs.FS, p string) string {
	if _, err := fs.Stat(tree, p); err != nil {
		return "there is no such file"
	}
	return ""
}

func TestReferences(t *testing.T) {
	good := fstest.MapFS{
		"docs/clinical.md":        text("`x.go` and `story.txt`, kept by `internal/other/y.go:keep`", "```", "`gone.go`", "```"),
		"docs/risk.md":            text("`x.go:Do` by `TestX` and `TestX: a guard`, a `word` and `testdata/fhir`"),
		coreFolder + "x.go":       text("package x", "func (v *view) Do() {}"),
		coreFolder + "x_test.go":  text("package x", "func TestX(t *testing.T) {", `"a guard"`, "}"),
		storyFolder + "story.txt": text("# A story."),
		"internal/other/y.go":     text("package y", "func keep() {}"),
		"testdata/fhir/x.json":    text("{}"),
	}
	bad := map[string]fstest.MapFS{}
	for name, claim := range map[string]string{
		"a file that is not there":       "`gone.go`",
		"a function that is not there":   "`x.go:gone`",
		"a story that is not there":      "`gone.txt`",
		"a test that is not there":       "`TestGone`",
		"a guard that no test names":     "`TestX: gone`",
		"a folder that is not there":     "`internal/gone`",
		"a file of another package":      "`y.go`",
		"a test that is only mentioned":  "`TestMentioned`",
		"a function that is only called": "`x.go:called`",
	} {
		tree := fstest.MapFS{}
		for p, f := range good {
			tree[p] = f
		}
		tree["docs/risk.md"] = text(claim)
		tree[coreFolder+"x.go"] = text("package x", "func (v *view) Do() { called() }")
		tree[coreFolder+"x_test.go"] = text("package x", "// TestMentioned", "func TestX(t *testing.T) {", "}")
		bad[name] = tree
	}
	holds(t, references)
	judges(t, references, good, bad)
}

// hazards: each row of docs/risk.md names a guard in the code and a test, says what is left
// over, and has a number of its own.
func hazards(t *testing.T, tree fs.FS) []string {
	t.Helper()
	body, err := fs.ReadFile(tree, "docs/risk.md")
	require.NoError(t, err)
	rows := hazardRow.FindAllStringSubmatch(string(body), -1)
	var faults []string
	if len(rows) == 0 {
		faults = append(faults, "docs/risk.md: no hazard")
	}
	seen := map[string]bool{}
	for _, row := range rows {
		cells := strings.Split(strings.Trim(row[0], "| "), " | ")
		fault := func(why string) { faults = append(faults, fmt.Sprintf("docs/risk.md: %s %s", row[1], why)) }
		switch {
		case len(cells) != 7:
			fault(fmt.Sprintf("has %d cells, not 7: number, hazard, harm, rule, guard, test, what is left over", len(cells)))
		case seen[row[1]]:
			fault("stands twice")
		case !names(cells[4], namedGo):
			fault("names no guard")
		case !names(cells[5], namedStory) && !names(cells[5], namedTest):
			fault("names no test")
		case len(cells[6]) < 2:
			fault("does not say what is left over")
		}
		seen[row[1]] = true
	}
	return faults
}

// names reports whether the cell names something of the form.
func names(cell string, form *regexp.Regexp) bool {
	for _, m := range quoted.FindAllStringSubmatch(cell, -1) {
		if form.MatchString(m[1]) {
			return true
		}
	}
	return false
}

func TestHazards(t *testing.T) {
	page := func(rows ...string) fstest.MapFS { return fstest.MapFS{"docs/risk.md": text(rows...)} }
	row := "| H1 | it bleeds | shock | 4 | `x.go:do` | `story.txt` | none |"
	holds(t, hazards)
	judges(t, hazards, page(row, strings.Replace(row, "H1", "H2", 1)), map[string]fstest.MapFS{
		"a page without a hazard": page("nothing"),
		"a number given twice":    page(row, row),
		"a row without a guard":   page(strings.Replace(row, "`x.go:do`", "somewhere", 1)),
		"a row without a test":    page(strings.Replace(row, "`story.txt`", "of course", 1)),
		"a row that is cut off":   page(strings.Replace(row, "| none |", "|", 1)),
		"a row with nothing left": page(strings.Replace(row, "none", "", 1)),
	})
}
