package guide_test

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"encoding/json"
	"errors"
	"io"
	"path"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir"
)

// unpack gives the files of an archive by name.
func unpack(t *testing.T, archive []byte) map[string][]byte {
	t.Helper()
	zr, err := gzip.NewReader(bytes.NewReader(archive))
	require.NoError(t, err)
	out := map[string][]byte{}
	tr := tar.NewReader(zr)
	for {
		h, err := tr.Next()
		if errors.Is(err, io.EOF) {
			return out
		}
		require.NoError(t, err)
		require.NotContains(t, out, h.Name)
		out[h.Name], err = io.ReadAll(tr)
		require.NoError(t, err)
	}
}

func archive(t *testing.T) []byte {
	t.Helper()
	body, err := newPackage(t).Archive()
	require.NoError(t, err)
	return body
}

func TestArchiveIsTheSameTwice(t *testing.T) {
	require.True(t, bytes.Equal(archive(t), archive(t)))
}

// FHIR packages, hl7.org/fhir/packages.html: package.json with the names that are asked
// for, and .index.json of both folders, which says of each resource what is in it.
func TestArchive(t *testing.T) {
	files := unpack(t, archive(t))
	var manifest map[string]any
	require.NoError(t, json.Unmarshal(files["package/package.json"], &manifest))
	require.Equal(t, "fhirsvc.radial-compression", manifest["name"])
	require.Regexp(t, `^[a-z][a-z0-9-]*(\.[a-z][a-z0-9-]*)+$`, manifest["name"], "two or more namespaces")
	require.Equal(t, fhir.Published, manifest["version"])
	require.Equal(t, []any{"4.0.1"}, manifest["fhirVersions"])
	require.Equal(t, map[string]any{"hl7.fhir.r4.core": "4.0.1"}, manifest["dependencies"])
	require.Equal(t, fhir.CanonicalGuide, manifest["canonical"].(string)+"/ImplementationGuide/"+manifest["name"].(string))

	indexed := map[string]bool{"package/package.json": true}
	for _, folder := range []string{"package", "package/examples"} {
		var index struct {
			Version int                 `json:"index-version"`
			Files   []map[string]string `json:"files"`
		}
		name := path.Join(folder, ".index.json")
		require.NoError(t, json.Unmarshal(files[name], &index))
		require.Equal(t, 1, index.Version)
		indexed[name] = true
		for _, f := range index.Files {
			name := path.Join(folder, f["filename"])
			body, there := files[name]
			require.True(t, there, "%s is listed and not there", name)
			indexed[name] = true
			r := root(t, body)
			for _, member := range []string{"resourceType", "id", "url", "version", "kind", "type"} {
				require.Equal(t, r.Str(member), f[member], "%s of %s", member, name)
			}
		}
	}
	require.Len(t, indexed, len(files), "a file that no index lists")
}

// The files of the archive are the package's.
func TestArchiveHoldsThePackage(t *testing.T) {
	files := unpack(t, archive(t))
	list := newPackage(t).Files()
	require.Len(t, files, len(list)+3)
	for _, f := range list {
		require.True(t, bytes.Equal(f.Body, files["package/"+f.Path()]), f.Path())
	}
}
