package conventions

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/require"
)

// check looks at a tree and returns what is wrong with it, a line for each fault that
// begins with the path; empty if nothing is.
type check func(t *testing.T, tree fs.FS) []string

// holds fails where the repository breaks the check's rule.
func holds(t *testing.T, c check) {
	t.Helper()
	tree := os.DirFS("../..")
	mod, err := fs.ReadFile(tree, "go.mod")
	require.NoError(t, err)
	require.Contains(t, string(mod), "module fhirsvc\n", "this is not the top of the repository")
	if faults := c(t, tree); len(faults) > 0 {
		t.Errorf("%d faults:\n%s", len(faults), strings.Join(faults, "\n"))
	}
}

// judges shows the check a tree that keeps its rule and trees that break it once each.
func judges(t *testing.T, c check, good fstest.MapFS, bad map[string]fstest.MapFS) {
	t.Helper()
	t.Run("accepts a tree that keeps the rule", func(t *testing.T) {
		require.Empty(t, c(t, good))
	})
	for name, tree := range bad {
		t.Run("refuses "+name, func(t *testing.T) {
			require.Len(t, c(t, tree), 1)
		})
	}
}

// text is a file with this content.
func text(lines ...string) *fstest.MapFile {
	return &fstest.MapFile{Data: []byte(strings.Join(lines, "\n") + "\n")}
}

// notOurs are the folders at the top that hold no source: history and what is built.
var notOurs = map[string]bool{".git": true, ".build": true, "bin": true}

// files lists the files of a tree under the given folders ("." for all) of which the
// path satisfies keep. A folder that is absent has none.
func files(t *testing.T, tree fs.FS, keep func(p string) bool, folders ...string) []string {
	t.Helper()
	var found []string
	for _, folder := range folders {
		err := fs.WalkDir(tree, folder, func(p string, d fs.DirEntry, err error) error {
			switch {
			case err != nil && p == folder:
				return fs.SkipDir
			case err != nil:
				return err
			case d.IsDir() && notOurs[p]:
				return fs.SkipDir
			case d.Type().IsRegular() && keep(p):
				found = append(found, p)
			}
			return nil
		})
		require.NoError(t, err)
	}
	return found
}

func isGo(p string) bool {
	return strings.HasSuffix(p, ".go") && !strings.Contains(p, "/testdata/")
}

func isTest(p string) bool { return strings.HasSuffix(p, "_test.go") }

func isProduct(p string) bool { return isGo(p) && !isTest(p) }

func anyFile(string) bool { return true }

// goFile parses one Go file of the tree.
func goFile(t *testing.T, tree fs.FS, p string) (*token.FileSet, *ast.File) {
	t.Helper()
	source, err := fs.ReadFile(tree, p)
	require.NoError(t, err)
	set := token.NewFileSet()
	file, err := parser.ParseFile(set, path.Base(p), source, parser.ParseComments|parser.SkipObjectResolution)
	require.NoError(t, err, p)
	return set, file
}
