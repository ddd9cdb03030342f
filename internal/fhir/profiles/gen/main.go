// Command gen writes the project's profiles and value sets under api: each profile's
// differential as this package states it, with the snapshot that follows from R4's
// published one. It fetches nothing: the packages are those that
// internal/fhir/definitions/gen has fetched and checked.
//
//	go run ./internal/fhir/profiles/gen
package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
)

func main() {
	if err := run(); err != nil {
		fmt.Fprintln(os.Stderr, "gen:", err)
		os.Exit(1)
	}
}

func run() error {
	root, err := moduleRoot()
	if err != nil {
		return err
	}
	published, err := readPackage(filepath.Join(root, ".build", "npm", "hl7.fhir.r4.examples-4.0.1.tgz"))
	if err != nil {
		return err
	}
	files := map[string][]byte{}
	for _, p := range profiles() {
		name := "StructureDefinition-" + p.id + ".json"
		if files[name], err = p.structureDefinition(published); err != nil {
			return fmt.Errorf("profile %s: %w", p.id, err)
		}
	}
	for _, v := range valueSets() {
		files["ValueSet-"+v.id+".json"] = v.resource()
	}
	return write(filepath.Join(root, "api"), files)
}

// write replaces the generated files of a folder; one that is no longer made goes.
func write(dir string, files map[string][]byte) error {
	for _, pattern := range []string{"StructureDefinition-*.json", "ValueSet-*.json"} {
		old, err := filepath.Glob(filepath.Join(dir, pattern))
		if err != nil {
			return err
		}
		for _, path := range old {
			if files[filepath.Base(path)] == nil {
				if err := os.Remove(path); err != nil {
					return err
				}
			}
		}
	}
	for name, body := range files {
		if err := os.WriteFile(filepath.Join(dir, name), body, 0o644); err != nil {
			return err
		}
	}
	return nil
}

func moduleRoot() (string, error) {
	dir, err := os.Getwd()
	if err != nil {
		return "", err
	}
	for {
		if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
			return dir, nil
		}
		up := filepath.Dir(dir)
		if up == dir {
			return "", errors.New("no go.mod above the working directory")
		}
		dir = up
	}
}
