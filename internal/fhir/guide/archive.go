package guide

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"fmt"
	"path"
	"time"

	"fhirsvc/internal/fhir"
)

// The folders of a package (hl7.org/fhir/packages.html).
const (
	rootFolder    = "package"
	exampleFolder = "examples"
)

// manifest is package.json.
type manifest struct {
	Name         string            `json:"name"`
	Version      string            `json:"version"`
	ToolsVersion int               `json:"tools-version"`
	Type         string            `json:"type"`
	License      string            `json:"license"`
	Canonical    string            `json:"canonical"`
	Title        string            `json:"title"`
	Description  string            `json:"description"`
	FHIRVersions []string          `json:"fhirVersions"`
	Dependencies map[string]string `json:"dependencies"`
	Author       string            `json:"author"`
	Directories  map[string]string `json:"directories"`
}

func newManifest() manifest {
	return manifest{
		Name: fhir.PackageName, Version: fhir.Published, ToolsVersion: 3, Type: "IG", License: license,
		Canonical: fhir.CanonicalBase, Title: title, Description: description,
		FHIRVersions: []string{"4.0.1"}, Dependencies: map[string]string{"hl7.fhir.r4.core": "4.0.1"},
		Author: "fhirsvc", Directories: map[string]string{"lib": rootFolder, "example": exampleFolder},
	}
}

// index is .index.json of one folder.
type index struct {
	Version int     `json:"index-version"`
	Files   []entry `json:"files"`
}

type entry struct {
	Filename     string `json:"filename"`
	ResourceType string `json:"resourceType"`
	ID           string `json:"id"`
	URL          string `json:"url,omitempty"`
	Version      string `json:"version,omitempty"`
	Kind         string `json:"kind,omitempty"`
	Type         string `json:"type,omitempty"`
}

func (p *Package) index(examples bool) index {
	x := index{Version: 1, Files: []entry{}}
	for _, f := range p.files {
		if f.Example == examples {
			x.Files = append(x.Files, entry{
				Filename: f.Name, ResourceType: f.root.Str("resourceType"), ID: f.root.Str("id"), URL: f.root.Str("url"),
				Version: f.root.Str("version"), Kind: f.root.Str("kind"), Type: f.root.Str("type"),
			})
		}
	}
	return x
}

// ArchiveName is the usual file name of the archive.
func ArchiveName() string { return fhir.PackageName + "-" + fhir.Published + ".tgz" }

// Archive gives the package as npm has it, a tar archive in gzip. It depends on the
// resources alone, so that it can be compared: the times in it are the one that npm
// writes, 1985-10-26.
func (p *Package) Archive() ([]byte, error) {
	var b bytes.Buffer
	zw, err := gzip.NewWriterLevel(&b, gzip.BestCompression)
	if err != nil {
		return nil, err
	}
	tw := tar.NewWriter(zw)
	put := func(name string, body []byte) {
		if err == nil {
			err = addTo(tw, path.Join(rootFolder, name), body)
		}
	}
	put("package.json", write(newManifest()))
	put(".index.json", write(p.index(false)))
	put(path.Join(exampleFolder, ".index.json"), write(p.index(true)))
	for _, f := range p.files {
		put(f.Path(), f.Body)
	}
	if err != nil {
		return nil, err
	}
	if err := tw.Close(); err != nil {
		return nil, err
	}
	if err := zw.Close(); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

func addTo(tw *tar.Writer, name string, body []byte) error {
	h := &tar.Header{
		Typeflag: tar.TypeReg, Name: name, Size: int64(len(body)), Mode: 0o644, Format: tar.FormatUSTAR,
		ModTime: time.Date(1985, 10, 26, 8, 15, 0, 0, time.UTC),
	}
	if err := tw.WriteHeader(h); err != nil {
		return fmt.Errorf("archive %s: %w", name, err)
	}
	_, err := tw.Write(body)
	return err
}
