package main

import (
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// The picture at the top of README.md, and what its reader has after the ten minutes.
const pagePicture = "docs/band.svg"

// A newcomer's ten minutes print what README.md says, and end with the picture that it shows.
func TestReadme(t *testing.T) {
	t.Parallel()
	s := newSession(t)
	s.play("README.md")
	drawn, err := os.ReadFile(filepath.Join(s.dir, "band.svg"))
	require.NoError(t, err)
	joined(t, s.sandbox).keep()
	s.sandbox.stop(t)
	want := pageLines(t, pagePicture)
	got := strings.Split(string(drawn), "\n")
	if slices.Equal(alikeAll(map[string]int{}, want), alikeAll(map[string]int{}, got)) {
		return
	}
	if *updateScripts {
		require.NoError(t, os.WriteFile(filepath.Join("../..", pagePicture), drawn, 0o600))
		return
	}
	require.Equal(t, want, got)
}

// workListRow is a row of the table of work lists: what for, and the query.
var workListRow = regexp.MustCompile("(?m)^\\| [^|]+ \\| `([a-z.:-]+=[^`]+)` \\|$")

// What a record and a screen do, and what they are answered, is as docs/integrate.md says.
func TestIntegrate(t *testing.T) {
	t.Parallel()
	s := newSession(t)
	require.NoError(t, os.MkdirAll(filepath.Join(s.dir, "bin"), 0o700))
	s.play("docs/integrate.md")
	w := joined(t, s.sandbox)
	for _, row := range workListRow.FindAllStringSubmatch(strings.Join(pageLines(t, "docs/integrate.md"), "\n"), -1) {
		_, err := w.client.Search(t.Context(), "Task?"+strings.ReplaceAll(row[1], `\|`, "|"))
		require.NoError(t, err, row[1])
	}
	w.keep()
	s.sandbox.stop(t)
}

func TestConsole(t *testing.T) {
	page := strings.Split(`text
~~~console
$ one
a
$ two \
    more
b
c
$ three
~~~
~~~json
{"curl": 1}
~~~
~~~
curl http://nobody.reads.this
make all
~~~
$ not in a block
`, "\n")
	for i := range page {
		page[i] = strings.ReplaceAll(page[i], "~~~", "```")
	}
	require.Equal(t, []shown{
		{command: "one", printed: []string{"a"}, from: 3, to: 4},
		{command: "two \\\n    more", printed: []string{"b", "c"}, from: 6, to: 8},
		{command: "three", from: 9, to: 9},
	}, console(page))
	require.Equal(t, []string{"15: curl http://nobody.reads.this", "16: make all"}, unchecked(page))
}

func TestAlike(t *testing.T) {
	const a, b = "5ad5c0de-0000-5000-8000-000000000001", "5ad5c0de-0000-5000-8000-000000000002"
	ids := map[string]int{}
	require.Equal(t, []string{"Task/id-1", "Task/id-2 of id-1"}, alikeAll(ids, []string{"Task/" + a, "Task/" + b + " of " + a}))
	const sent = "urn:uuid:11111111-1111-4111-8111-111111111111" // what was sent must come back
	require.Equal(t, sent, alike(ids, sent))
	require.Equal(t, alike(ids, `"version": "v1"`), alike(ids, `"version":"v2 (abc)"`))
}
