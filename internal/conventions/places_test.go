package conventions

import (
	"bytes"
	"fmt"
	"io/fs"
	"path"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/require"
)

// places are folders of one machine and hosts of package registries: what names one
// works there alone. They are written in parts, or this file would name them.
func places() []string {
	return []string{
		"/" + "work/",
		"proxy" + ".golang.org",
		"registry" + ".npmjs.org",
		"repo1" + ".maven.org",
		"deb" + ".debian.org",
		"pypi" + ".org",
	}
}

// noPlaces: no file, of whatever kind, names a place.
func noPlaces(t *testing.T, tree fs.FS) []string {
	t.Helper()
	isWritten := func(p string) bool { return path.Ext(p) != ".test" } // a compiled test
	var faults []string
	for _, p := range files(t, tree, isWritten, ".") {
		content, err := fs.ReadFile(tree, p)
		require.NoError(t, err)
		for _, place := range places() {
			before, _, found := bytes.Cut(content, []byte(place))
			if found {
				faults = append(faults, fmt.Sprintf("%s:%d: names %s", p, 1+bytes.Count(before, []byte("\n")), place))
			}
		}
	}
	return faults
}

func TestNoPlaces(t *testing.T) {
	bad := map[string]fstest.MapFS{}
	for _, place := range places() {
		bad[strings.Trim(place, "/")+" in code"] = fstest.MapFS{"internal/x/x.go": text("package x", "// see "+place+"x")}
		bad[strings.Trim(place, "/")+" in a hidden file"] = fstest.MapFS{".ci/x": text("curl https://" + place)}
	}
	holds(t, noPlaces)
	judges(t, noPlaces, fstest.MapFS{
		"README.md":     text("network/ and homework/ and $work/x"),
		"bin/x":         text(places()...),
		"x.test":        text(places()...),
		".build/x":      text(places()...),
		".git/config":   text(places()...),
		"internal/x.go": text("package x"),
	}, bad)
}
