// Command gen makes the embedded definitions file from HL7's published packages.
// It fetches them with the ordinary npm client into .build/npm when they are not
// there, and checks their SHA-256.
//
//	go run ./internal/fhir/definitions/gen          # writes r4.ndjson.gz
//	go run ./internal/fhir/definitions/gen -check   # fails when the file would change
//	go run ./internal/fhir/definitions/gen -fetch   # fetches and checks the packages only
package main

import (
	"bytes"
	"errors"
	"flag"
	"fmt"
	"os"
	"path/filepath"

	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/definitions/gen/npm"
)

func main() {
	check := flag.Bool("check", false, "compare with the committed file, write nothing")
	fetch := flag.Bool("fetch", false, "fetch and check the packages only")
	flag.Parse()
	if err := run(*check, *fetch); err != nil {
		fmt.Fprintln(os.Stderr, "gen:", err)
		os.Exit(1)
	}
}

func run(check, fetchOnly bool) error {
	root, err := npm.ModuleRoot()
	if err != nil {
		return err
	}
	examples := npm.Examples()
	src := definitions.Source{Name: examples.Name + "@" + examples.Version}
	if src.Resources, err = npm.Files(examples); err != nil {
		return err
	}
	if src.Expansions, err = npm.Files(npm.Expansions()); err != nil {
		return err
	}
	if fetchOnly {
		return nil
	}
	file, err := definitions.Build(src)
	if err != nil {
		return err
	}
	target := filepath.Join(root, "internal", "fhir", "definitions", "r4.ndjson.gz")
	if !check {
		return os.WriteFile(target, file, 0o644)
	}
	committed, err := os.ReadFile(target)
	if err != nil {
		return err
	}
	if !bytes.Equal(committed, file) {
		return errors.New("r4.ndjson.gz is not what the generator makes: run go generate ./internal/fhir/definitions")
	}
	return nil
}
