package migration

import (
	"fmt"
	"io/fs"
	"path"
	"regexp"
	"strconv"
	"strings"
)

// Step is one numbered change of the schema. Versions count from 1 without a gap.
type Step struct {
	Version int
	Name    string
	SQL     string
	// Serves is the oldest version of the schema whose release can still work on the schema
	// after this step. A line "-- serves: 3" says so; without one it is as before the step.
	Serves int
	// Online is a step whose statements run one by one and outside a transaction, as
	// CREATE INDEX CONCURRENTLY must. A line "-- online" says so; it must be harmless to run
	// again after it broke off.
	Online bool
}

// Statements gives the statements of an online step: each ends with a semicolon at the end
// of a line.
func (s Step) Statements() []string {
	var all []string
	for one := range strings.SplitSeq(s.SQL, ";\n") {
		if strings.TrimSpace(one) != "" {
			all = append(all, one)
		}
	}
	return all
}

// Read gives the steps of a folder in order. It fails on a file with another kind of
// name, on a gap or a repeat in the numbers, on a serves that can't be, and on an empty
// folder.
func Read(files fs.FS, dir string) ([]Step, error) {
	fileName := regexp.MustCompile(`^(\d{3})_([a-z0-9_]+)\.up\.sql$`)
	entries, err := fs.ReadDir(files, dir)
	if err != nil {
		return nil, fmt.Errorf("read migrations: %w", err)
	}
	steps := make([]Step, 0, len(entries))
	serves := 1
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
		step := Step{Version: version, Name: parts[2], SQL: string(body), Serves: serves}
		if err := step.readHead(); err != nil {
			return nil, fmt.Errorf("migration %s: %w", e.Name(), err)
		}
		serves = step.Serves
		steps = append(steps, step)
	}
	if len(steps) == 0 {
		return nil, fmt.Errorf("no migrations in %s", dir)
	}
	return steps, nil
}

// readHead reads what the comments at the beginning say of the step.
func (s *Step) readHead() error {
	for line := range strings.Lines(s.SQL) {
		line = strings.TrimSpace(line)
		if line != "" && !strings.HasPrefix(line, "--") {
			return nil
		}
		s.Online = s.Online || line == "-- online"
		text, found := strings.CutPrefix(line, "-- serves: ")
		if !found {
			continue
		}
		n, err := strconv.Atoi(text)
		if err != nil || n < s.Serves || n > s.Version {
			return fmt.Errorf("serves must be a version from %d to %d", s.Serves, s.Version)
		}
		s.Serves = n
	}
	return nil
}
