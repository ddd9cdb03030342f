package validate_test

import (
	"bufio"
	"os"
	"sort"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/validate"
)

// reasons reads a list of exceptions: a name, a tab, the reason.
func reasons(t *testing.T, file string) map[string]string {
	t.Helper()
	f, err := os.Open(file)
	require.NoError(t, err)
	defer func() { require.NoError(t, f.Close()) }()
	out := map[string]string{}
	lines := bufio.NewScanner(f)
	for lines.Scan() {
		if strings.HasPrefix(lines.Text(), "#") || lines.Text() == "" {
			continue
		}
		name, reason, ok := strings.Cut(lines.Text(), "\t")
		require.True(t, ok && reason != "", "no reason: %s", lines.Text())
		out[name] = reason
	}
	require.NoError(t, lines.Err())
	return out
}

// shortFile bounds the files that a shortened run reads, in bytes.
const shortFile = 5000

// TestPublishedExamples validates every resource of HL7's package: the 740 example
// instances, and the definitions themselves. All are accepted but those listed in
// testdata/published_rejected.txt, whose faults are real.
func TestPublishedExamples(t *testing.T) {
	t.Parallel()
	require.Len(t, instances(t), 740)
	want := reasons(t, "testdata/published_rejected.txt")
	got := map[string]string{}
	var mu sync.Mutex
	v := validate.New(validate.Options{})
	names := make(chan string)
	var workers sync.WaitGroup
	files := publishedFiles(t)
	for range 2 {
		workers.Go(func() {
			for name := range names {
				for _, i := range v.Resource(files[name]) {
					if outcome.HasErrors([]outcome.Issue{i}) {
						mu.Lock()
						got[name] += i.String() + "\n"
						mu.Unlock()
					}
				}
			}
		})
	}
	sent := 0
	for name, body := range files {
		if testing.Short() && len(body) > shortFile {
			delete(want, name)
			continue
		}
		names <- name
		sent++
	}
	close(names)
	workers.Wait()
	for name, issues := range got {
		require.Contains(t, want, name, issues)
	}
	for name := range want {
		require.Contains(t, got, name, "accepted: take it off the list")
	}
	t.Logf("%d of %d accepted", sent-len(got), sent)
}

// TestListedExamplesAreSorted keeps the list readable.
func TestListedExamplesAreSorted(t *testing.T) {
	t.Parallel()
	body, err := os.ReadFile("testdata/published_rejected.txt")
	require.NoError(t, err)
	var names []string
	for line := range strings.Lines(string(body)) {
		if name, _, ok := strings.Cut(line, "\t"); ok && !strings.HasPrefix(line, "#") {
			names = append(names, name)
		}
	}
	require.True(t, sort.StringsAreSorted(names))
}
