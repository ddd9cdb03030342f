package migration

import (
	"fmt"
	"io/fs"
	"path"
	"regexp"
	"strconv"
)

// Step is one numbered change of the schema. Versions count from 1 without a gap.
type Step struct {
	Version int
	Name    string
	SQL     string
}

// Read gives the steps of a folder in order. It fails on a file with another kind of
// name, on a gap or a repeat in the numbers, and on an empty folder.
func Read(files fs.FS, dir string) ([]Step, error) {
	fileName := regexp.MustCompile(`^(\d{3})_([a-z0-9_]+)\.up\.sql$`)
	entries, err := fs.ReadDir(files, dir)
	if err != nil {
		return nil, fmt.Errorf("read migrations: %w", err)
	}
	steps := make([]Step, 0, len(entries))
	for _, e := range entries { // ReadDir sorts by name, and so by number
		parts := fileName.FindStringSubmatch(e.Name())
		if parts == nil {
			return nil, fmt.Errorf("migration %s: the name is not NNN_name.up.sql", e.Name())
		}
		version, err := strconv.Atoi(parts[1])
		if err != nil || version != len(steps)+1 {
			return nil, fmt.Errorf("migration %s: expected number %03d", e.Name(), len(steps)+1)
		}
		body, err := fs.ReadFile(files, path.Join(dir, e.Name()))
		if err != nil {
			return nil, fmt.Errorf("migration %s: %w", e.Name(), err)
		}
		steps = append(steps, Step{Version: version, Name: parts[2], SQL: string(body)})
	}
	if len(steps) == 0 {
		return nil, fmt.Errorf("no migrations in %s", dir)
	}
	return steps, nil
}
