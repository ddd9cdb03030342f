package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sort"
)

// readProtocols gives the PlanDefinitions of a folder: every file that ends in .json, in
// order of names. A folder without one is a fault: nothing could be planned.
func readProtocols(dir string) ([][]byte, error) {
	names, err := filepath.Glob(filepath.Join(dir, "*.json"))
	if err != nil {
		return nil, err
	}
	if len(names) == 0 {
		return nil, fmt.Errorf("%s: there is no .json file with a protocol", dir)
	}
	sort.Strings(names)
	var bodies [][]byte
	var faults []error
	for _, name := range names {
		body, err := os.ReadFile(name)
		if err != nil {
			faults = append(faults, err)
			continue
		}
		bodies = append(bodies, body)
	}
	return bodies, errors.Join(faults...)
}
