// Command gen makes the embedded definitions file from HL7's published packages.
// It fetches them with the ordinary npm client into .build/npm when they are not
// there, and checks their SHA-256.
//
//	go run ./internal/fhir/definitions/gen          # writes r4.ndjson.gz
//	go run ./internal/fhir/definitions/gen -check   # fails when the file would change
//	go run ./internal/fhir/definitions/gen -fetch   # fetches and checks the packages only
package main

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"strings"

	"fhirsvc/internal/fhir/definitions"
)

type pkg struct{ name, version, sum string }

// examples holds, despite its name, all definitions of R4 4.0.1.
var (
	examples = pkg{
		"hl7.fhir.r4.examples", "4.0.1", "dce87f1b5b9341867033f7d1f544fa1b5232503f6d62813887ac6b8a8b6cb682",
	}
	expansions = pkg{
		"hl7.fhir.r4.expansions", "4.0.1", "18b2b00a6e26328bdbe4b2e273de5be32dfce21be37e0f582d18882bbce24e69",
	}
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
	root, err := moduleRoot()
	if err != nil {
		return err
	}
	cache := filepath.Join(root, ".build", "npm")
	src := definitions.Source{Name: examples.name + "@" + examples.version}
	if src.Resources, err = load(cache, examples); err != nil {
		return err
	}
	if src.Expansions, err = load(cache, expansions); err != nil {
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

// load gives the JSON files of a package by name.
func load(cache string, p pkg) (map[string][]byte, error) {
	archive, err := fetch(cache, p)
	if err != nil {
		return nil, err
	}
	zr, err := gzip.NewReader(bytes.NewReader(archive))
	if err != nil {
		return nil, fmt.Errorf("unpack %s: %w", p.name, err)
	}
	out := map[string][]byte{}
	tr := tar.NewReader(zr)
	for {
		h, err := tr.Next()
		if errors.Is(err, io.EOF) {
			return out, nil
		}
		if err != nil {
			return nil, fmt.Errorf("unpack %s: %w", p.name, err)
		}
		if !strings.HasSuffix(h.Name, ".json") {
			continue
		}
		if out[path.Base(h.Name)], err = io.ReadAll(tr); err != nil {
			return nil, fmt.Errorf("unpack %s: %w", p.name, err)
		}
	}
}

// fetch gives the checked bytes of a package, from the cache or by npm.
func fetch(cache string, p pkg) ([]byte, error) {
	file := filepath.Join(cache, p.name+"-"+p.version+".tgz")
	if _, err := os.Stat(file); errors.Is(err, os.ErrNotExist) {
		if err := os.MkdirAll(cache, 0o755); err != nil {
			return nil, err
		}
		cmd := exec.Command("npm", "pack", "--silent", p.name+"@"+p.version)
		cmd.Dir = cache
		if out, err := cmd.CombinedOutput(); err != nil {
			return nil, fmt.Errorf("npm pack %s: %w\n%s", p.name, err, out)
		}
	}
	archive, err := os.ReadFile(file)
	if err != nil {
		return nil, err
	}
	sum := sha256.Sum256(archive)
	if got := hex.EncodeToString(sum[:]); got != p.sum {
		return nil, fmt.Errorf("%s has SHA-256 %s, want %s: remove it and try again", file, got, p.sum)
	}
	return archive, nil
}
