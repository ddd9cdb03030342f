package conventions

import (
	"io/fs"
	"path"
	"slices"
	"testing"
	"testing/fstest"

	"fhirsvc/internal/store/migration"
)

// stepFolders are the schema steps of the stores that keep their data.
func stepFolders() []string {
	return []string{"internal/store/postgres/migrations", "internal/store/embedded/migrations"}
}

// numbered: steps count without a gap or a repeat, and both stores have the same ones.
func numbered(t *testing.T, tree fs.FS) []string {
	t.Helper()
	var all [][]string
	for _, dir := range stepFolders() {
		steps, err := migration.Read(tree, dir)
		if err != nil {
			return []string{dir + ": " + err.Error()}
		}
		var names []string
		for _, s := range steps {
			names = append(names, s.Name)
		}
		all = append(all, names)
	}
	if !slices.Equal(all[0], all[1]) {
		return []string{"the stores have different steps"}
	}
	return nil
}

func TestMigrationsAreNumbered(t *testing.T) {
	holds(t, numbered)
	tree := func(names ...string) fstest.MapFS {
		m := fstest.MapFS{}
		for _, dir := range stepFolders() {
			m[path.Join(dir, "001_a.up.sql")] = text("a")
		}
		for _, name := range names {
			m[name] = text("b")
		}
		return m
	}
	both := []string{path.Join(stepFolders()[0], "002_b.up.sql"), path.Join(stepFolders()[1], "002_b.up.sql")}
	judges(t, numbered, tree(both...), map[string]fstest.MapFS{
		"a number twice":     tree(append(both, path.Join(stepFolders()[0], "002_c.up.sql"))...),
		"a gap":              tree(append(both, path.Join(stepFolders()[1], "004_c.up.sql"))...),
		"a step in one only": tree(both[0]),
	})
}
