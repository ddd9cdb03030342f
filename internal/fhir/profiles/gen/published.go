package main

import (
	"archive/tar"
	"compress/gzip"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path"
	"strings"
)

// structures are the published StructureDefinitions that define a type, by its name.
type structures map[string]*structure

// structure is what a snapshot is made from.
type structure struct {
	URL        string `json:"url"`
	Type       string `json:"type"`
	Derivation string `json:"derivation"`
	Snapshot   struct {
		Element []element `json:"element"`
	} `json:"snapshot"`
}

// readPackage reads the StructureDefinitions of R4's types out of an npm package.
func readPackage(file string) (structures, error) {
	f, err := os.Open(file)
	if err != nil {
		return nil, fmt.Errorf("%w: run go generate ./internal/fhir/profiles, which fetches it", err)
	}
	defer f.Close() //nolint:errcheck // it was only read
	zr, err := gzip.NewReader(f)
	if err != nil {
		return nil, err
	}
	out := structures{}
	for tr := tar.NewReader(zr); ; {
		h, err := tr.Next()
		if errors.Is(err, io.EOF) {
			return out, nil
		}
		if err != nil {
			return nil, err
		}
		if !strings.HasPrefix(path.Base(h.Name), "StructureDefinition-") {
			continue
		}
		var s structure
		if err := json.NewDecoder(tr).Decode(&s); err != nil {
			return nil, fmt.Errorf("%s: %w", h.Name, err)
		}
		if s.Derivation != "constraint" {
			out[s.Type] = &s
		}
	}
}
