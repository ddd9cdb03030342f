package bench

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// Work is what every contender judges. In a folder it is a file for each field, so that
// a first resource can be judged before the many are read.
type Work struct {
	Task  string   // a Task of about a kilobyte, without white space
	Types []string // one bare resource of every type, to have the contender meet them all
	Set   []string // published examples, as published
}

// Mean gives the mean size of the set's resources, in bytes.
func (w Work) Mean() int { return len(strings.Join(w.Set, "")) / max(1, len(w.Set)) }

// Write puts the work into the folder.
func (w Work) Write(folder string) error {
	if err := os.MkdirAll(folder, 0o755); err != nil {
		return err
	}
	for name, texts := range map[string][]string{"task": {w.Task}, "types": w.Types, "set": w.Set} {
		body, err := json.Marshal(texts)
		if err != nil {
			return err
		}
		if err := os.WriteFile(filepath.Join(folder, name+".json"), body, 0o644); err != nil {
			return err
		}
	}
	return nil
}

// read gives the texts of one file of the work.
func read(folder, name string) ([][]byte, error) {
	body, err := os.ReadFile(filepath.Join(folder, name+".json"))
	if err != nil {
		return nil, err
	}
	var texts []string
	if err := json.Unmarshal(body, &texts); err != nil {
		return nil, fmt.Errorf("%s.json: %w", name, err)
	}
	out := make([][]byte, len(texts))
	for i, t := range texts {
		out[i] = slices.Clip([]byte(t))
	}
	return out, nil
}
