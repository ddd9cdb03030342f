package workflow_test

import (
	"flag"
	"os"
	"strings"
	"testing"

	"github.com/cockroachdb/datadriven"
	"github.com/stretchr/testify/require"
)

var updateDocs = flag.Bool("update", false, "rewrite the golden blocks of docs/clinical.md and the golden pictures")

const clinicalPage = "../../docs/clinical.md"

// checkMade holds a block of docs/clinical.md against what the code gives, so that the
// page can't drift; with -update it is rewritten. A block stands between the lines
// "<!-- made: name -->" and "<!-- end -->".
func checkMade(t *testing.T, name, want string) {
	t.Helper()
	page, err := os.ReadFile(clinicalPage)
	require.NoError(t, err)
	first, last := "<!-- made: "+name+" -->\n", "<!-- end -->"
	before, rest, found := strings.Cut(string(page), first)
	require.True(t, found, "%s has no block %s", clinicalPage, name)
	got, after, found := strings.Cut(rest, last)
	require.True(t, found, "block %s has no end", name)
	want = "\n" + strings.TrimSpace(want) + "\n\n"
	if *updateDocs {
		require.NoError(t, os.WriteFile(clinicalPage, []byte(before+first+want+last+after), 0o644))
		return
	}
	require.Equal(t, want, got, "docs/clinical.md is not what the code gives; go test ./internal/workflow -run TestClinical -update rewrites it")
}

// table is a Markdown table; the first row is its head.
func table(rows [][]string) string {
	var b strings.Builder
	for i, row := range rows {
		b.WriteString("| " + strings.Join(row, " | ") + " |\n")
		if i == 0 {
			b.WriteString(strings.Repeat("|---", len(row)) + "|\n")
		}
	}
	return b.String()
}

// playStories plays every story of testdata/scenario once more, for what else it shows.
func playStories(t *testing.T, watch func(s *story)) {
	t.Helper()
	datadriven.Walk(t, "testdata/scenario", func(t *testing.T, path string) {
		playStory(t, path, watch)
	})
}

func playStory(t *testing.T, path string, watch func(s *story)) {
	t.Helper()
	s := &story{t: t}
	watch(s)
	datadriven.RunTest(t, path, func(t *testing.T, d *datadriven.TestData) string {
		s.t, s.d = t, d
		return s.run()
	})
}

// play runs commands as the stories have them, whatever their output.
func (s *story) play(t *testing.T, commands ...string) {
	t.Helper()
	for _, c := range commands {
		datadriven.RunTestFromString(t, c+"\n----\n", func(t *testing.T, d *datadriven.TestData) string {
			s.t, s.d = t, d
			out := s.run()
			require.NotContains(t, out, "refused:", c)
			return d.Expected
		})
	}
}
