package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"fhirsvc/internal/fhir/guide"
	"fhirsvc/internal/rest"
)

const conformanceHelp = `Usage: fhirsvc conformance -o DIR [flags]

Writes the project's FHIR package, an npm-style .tgz for R4 (4.0.1) that general FHIR
servers and validators load, and beside it transaction.json, a transaction Bundle with all of
it for servers that load none, and its resources one by one: profiles with their snapshots,
value sets, the code system and its map to standard codes, search parameters, operations,
forms, messages, activities, the draft protocols, the capability statements, and examples in
DIR/examples. Files of the same names are replaced, others left alone.

  fhirsvc conformance -o package

Flags:`

func runConformance(_ context.Context, args []string, out surroundings) error {
	var dir, base string
	f := newFlags("conformance", out, conformanceHelp)
	f.StringVar(&dir, "o", "", "`folder` to write to; made if it is not there")
	f.StringVar(&base, "base-url", "http://127.0.0.1:8080/fhir", "the service's base in the capability statement of the instance")
	if err := parse(f, args, out); err != nil {
		return err
	}
	if dir == "" {
		return usageError{errors.New("conformance: say where to write: -o DIR")}
	}
	p, err := guide.New(rest.Capability(rest.Options{Version: version(), Built: built()}, base))
	if err != nil {
		return fmt.Errorf("conformance: %w", err)
	}
	archive, err := p.Archive()
	if err != nil {
		return fmt.Errorf("conformance: %w", err)
	}
	if err := writeTo(filepath.Join(dir, guide.TransactionName), p.Transaction()); err != nil {
		return fmt.Errorf("conformance: %w", err)
	}
	files := p.Files()
	for _, file := range files {
		if err := writeTo(filepath.Join(dir, filepath.FromSlash(file.Path())), file.Body); err != nil {
			return fmt.Errorf("conformance: %w", err)
		}
	}
	path := filepath.Join(dir, guide.ArchiveName())
	if err := writeTo(path, archive); err != nil {
		return fmt.Errorf("conformance: %w", err)
	}
	say(out.stdout, "%s: %s\n", path, counted(int64(len(files)), "resource"))
	return nil
}

// writeTo writes a file, and makes the folder that it stands in.
func writeTo(path string, body []byte) error {
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		return err
	}
	return os.WriteFile(path, body, 0o644)
}
