package main

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
	"github.com/stretchr/testify/require"
)

var updateScripts = flag.Bool("update", false, "rewrite the golden output in the scripts")

// The scripts run the real program; each tells what it is about.
func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir: "testdata/script", UpdateScripts: *updateScripts, RequireExplicitExec: true, RequireUniqueNames: true,
		Setup: func(e *testscript.Env) error {
			program := filepath.Dir(os.Getenv("FHIRSVC_TEST_BINARY"))
			e.Setenv("PATH", program+string(os.PathListSeparator)+e.Getenv("PATH"))
			return nil
		},
	})
}

// soundTask has the length of an ordinary one.
func soundTask() string {
	return `{"resourceType":"Task","status":"ready","intent":"order","description":"` + strings.Repeat("x", 1000) + `"}`
}

func validated(stdin io.Reader, stdout io.Writer, args ...string) (code int, stderr string) {
	var e bytes.Buffer
	code = run(context.Background(), append([]string{"validate"}, args...), surroundings{getenv: from(nil), stdin: stdin, stdout: stdout, stderr: &e})
	return code, e.String()
}

// However the workers finish, the answer keeps the order of the files and of the lines.
func TestValidateKeepsTheOrder(t *testing.T) {
	dir := t.TempDir()
	var want []string
	for f := range 20 {
		var body strings.Builder
		name := filepath.Join(dir, fmt.Sprintf("%02d.ndjson", f))
		for line := range 50 {
			// Long and short ones in turn, so that they overtake each other.
			note := strings.Repeat(`{"text":"x"},`, (line*7919+f)%300)
			fmt.Fprintf(&body, `{"resourceType":"Task","status":"ready","intent":"order","note":[%s{"text":"x"}],"colour":1}`+"\n", note)
			want = append(want, fmt.Sprintf("%s:%d:", name, line+1))
		}
		require.NoError(t, os.WriteFile(name, []byte(body.String()), 0o600))
	}
	for range 3 {
		var out bytes.Buffer
		code, stderr := validated(nil, &out, dir)
		require.Equal(t, 1, code, stderr)
		lines := strings.Split(strings.TrimSpace(out.String()), "\n")
		require.Len(t, lines, len(want))
		for i, l := range lines {
			require.True(t, strings.HasPrefix(l, want[i]), "%s, want %s", l, want[i])
		}
	}
}

// endless is a stream of sound resources, and keeps the largest heap seen while it is read.
type endless struct {
	text string
	left int
	peak uint64
}

func (e *endless) Read(p []byte) (int, error) {
	if e.left == 0 {
		return 0, io.EOF
	}
	if e.left%5000 == 0 {
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		e.peak = max(e.peak, m.HeapInuse)
	}
	e.left--
	return copy(p, e.text), nil
}

// A long NDJSON is never held whole.
func TestValidateHoldsLittle(t *testing.T) {
	const resources = 300_000                                         // about 320 MB
	_, _ = validated(strings.NewReader(soundTask()), io.Discard, "-") // definitions are ready
	defer debug.SetGCPercent(debug.SetGCPercent(100))                 // serve, tried in this process too, lets more lie about
	before := heap()
	in := &endless{text: soundTask() + "\n", left: resources}
	code, stderr := validated(in, io.Discard, "-")
	require.Equal(t, 0, code, stderr)
	require.Contains(t, stderr, "300,000 resources in 1 file")
	require.Less(t, in.peak, 2*before+64<<20, "what was held before may double until it is collected; the input is 320 MB")
}

func heap() uint64 {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.HeapInuse
}

type brokenPipe struct{}

func (brokenPipe) Write([]byte) (int, error) { return 0, errors.New("nobody reads") }

// Where the answer can't be written, the check ends soon and says so.
func TestValidateStopsWhenNobodyReads(t *testing.T) {
	in := strings.NewReader(strings.Repeat(`{"resourceType":"Task"}`+"\n", 200_000))
	code, stderr := validated(in, brokenPipe{}, "-")
	require.Equal(t, 2, code)
	require.Contains(t, stderr, "nobody reads")
	require.NotZero(t, in.Len(), "the rest was not read")
}

type unreadable struct{}

func (unreadable) Read([]byte) (int, error) { return 0, errors.New("the disk is gone") }

func TestValidateUnreadableInput(t *testing.T) {
	code, stderr := validated(unreadable{}, io.Discard, "-")
	require.Equal(t, 2, code)
	require.Contains(t, stderr, "read -: the disk is gone")
}

func TestValidateInterrupted(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	var e bytes.Buffer
	code := run(ctx, []string{"validate", "-"}, surroundings{getenv: from(nil), stdin: strings.NewReader(soundTask()), stdout: io.Discard, stderr: &e})
	require.Equal(t, 2, code)
	require.Contains(t, e.String(), "interrupted")
}

// A line that is beyond the limit is refused, and the lines after it are still read.
func TestValidateLongLine(t *testing.T) {
	in := io.MultiReader(
		strings.NewReader(soundTask()+"\n"),
		strings.NewReader(`{"resourceType":"Task","description":"`), io.LimitReader(letters{}, longestResource), strings.NewReader("\"}\n"),
		strings.NewReader(`{"resourceType":"Task"}`+"\n"),
	)
	var out bytes.Buffer
	code, _ := validated(in, &out, "-")
	require.Equal(t, 1, code)
	require.Contains(t, out.String(), "-:2:1 fatal too-long")
	require.Contains(t, out.String(), "-:3:1 error required Task.status")
}

// letters is an endless text.
type letters struct{}

func (letters) Read(p []byte) (int, error) {
	for i := range p {
		p[i] = 'x'
	}
	return len(p), nil
}

func TestValidateProgress(t *testing.T) {
	r := newTally(io.Discard, formatText)
	r.resources.Store(12_345)
	r.errors.Store(1)
	require.Equal(t, "12,345 resources, 1 error, 6,172/s", r.progress(2e9))
	require.False(t, isTerminal(&bytes.Buffer{}))
}
