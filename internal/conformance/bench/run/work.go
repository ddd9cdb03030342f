package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"fhirsvc/internal/conformance"
	"fhirsvc/internal/conformance/bench"
	"fhirsvc/internal/fhir/definitions"
)

// setSize is how many examples of the six types HL7's package has at 4.0.1.
const setSize = 135

// inSet reports whether an example is of a type that a charting system sends. It goes by
// the file's name: some bundles in the package are called after what they hold.
func inSet(name string) bool {
	switch kind, _, _ := strings.Cut(filepath.Base(name), "-"); kind {
	case "Task", "CarePlan", "Observation", "Patient", "Procedure", "Encounter":
		return true
	}
	return false
}

// published gives the published examples of six types, and the Task in the file.
func published(taskFile string) (bench.Work, error) {
	examples, err := conformance.Examples()
	if err != nil {
		return bench.Work{}, err
	}
	var w bench.Work
	for _, c := range examples {
		if inSet(c.ID) {
			w.Set = append(w.Set, string(c.Body))
		}
	}
	if len(w.Set) != setSize {
		return bench.Work{}, fmt.Errorf("%d examples, want %d", len(w.Set), setSize)
	}
	for _, name := range definitions.R4().TypeNames() {
		if t := definitions.R4().Type(name); t.Kind == definitions.Resource && !t.Abstract {
			w.Types = append(w.Types, `{"resourceType":"`+name+`"}`)
		}
	}
	task, err := os.ReadFile(taskFile)
	if err != nil {
		return bench.Work{}, err
	}
	var compact bytes.Buffer
	if err := json.Compact(&compact, task); err != nil {
		return bench.Work{}, fmt.Errorf("%s: %w", taskFile, err)
	}
	w.Task = compact.String()
	return w, nil
}
