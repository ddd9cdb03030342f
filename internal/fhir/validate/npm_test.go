package validate_test

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"errors"
	"io"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"
)

const publishedPackage = "../../../.build/npm/hl7.fhir.r4.examples-4.0.1.tgz"

// publishedFiles gives the JSON files of HL7's package by name. When the package is
// not there it is fetched through npm by the definitions generator; a failure fails
// the test.
func publishedFiles(t testing.TB) map[string][]byte {
	t.Helper()
	files, err := readPublished()
	require.NoError(t, err)
	return files
}

var readPublished = sync.OnceValues(func() (map[string][]byte, error) {
	if _, err := os.Stat(publishedPackage); errors.Is(err, os.ErrNotExist) {
		out, err := exec.Command("go", "run", "fhirsvc/internal/fhir/definitions/gen", "-fetch").CombinedOutput()
		if err != nil {
			return nil, errors.New(string(out))
		}
	}
	archive, err := os.ReadFile(filepath.FromSlash(publishedPackage))
	if err != nil {
		return nil, err
	}
	zr, err := gzip.NewReader(bytes.NewReader(archive))
	if err != nil {
		return nil, err
	}
	files := map[string][]byte{}
	for tr := tar.NewReader(zr); ; {
		h, err := tr.Next()
		if errors.Is(err, io.EOF) {
			return files, nil
		}
		if err != nil {
			return nil, err
		}
		name := path.Base(h.Name)
		if !strings.HasSuffix(name, ".json") || name == "package.json" || strings.HasPrefix(name, ".") {
			continue
		}
		if files[name], err = io.ReadAll(tr); err != nil {
			return nil, err
		}
	}
})

// instances are the published examples that are no definitions themselves.
func instances(t testing.TB) map[string][]byte {
	t.Helper()
	out := map[string][]byte{}
	for name, body := range publishedFiles(t) {
		switch kind, _, _ := strings.Cut(name, "-"); kind {
		case "StructureDefinition", "ValueSet", "CodeSystem", "SearchParameter", "ConceptMap", "OperationDefinition", "CompartmentDefinition":
		default:
			out[name] = body
		}
	}
	return out
}
