package conformance

import (
	"os"
	"path/filepath"

	"fhirsvc/internal/fhir/validate/mutate"
)

// Mutants gives the seeds, each valid, the valid resources of a folder, and everything
// that is made from them by breaking one rule.
func Mutants(folder string) ([]Case, error) {
	var out []Case
	seed := func(name string, body []byte) {
		out = append(out, Case{ID: "seed/" + name, Class: Seed, Type: typeOf(body), Body: body})
	}
	for _, s := range mutate.Seeds() {
		seed(s.Name, s.Body)
	}
	files, err := filepath.Glob(filepath.Join(folder, "*.json"))
	if err != nil {
		return nil, err
	}
	var valid [][]byte
	for _, f := range files {
		body, err := os.ReadFile(f)
		if err != nil {
			return nil, err
		}
		seed(filepath.Base(f), body)
		valid = append(valid, body)
	}
	for _, m := range mutate.Corpus(valid...) {
		out = append(out, Case{ID: m.ID(), Class: m.Class, Type: m.Type, Body: m.Body})
	}
	return out, nil
}
