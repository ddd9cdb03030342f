package main

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
)

// TestMain builds the real program once.
func TestMain(m *testing.M) { os.Exit(buildAndRun(m)) }

func buildAndRun(m *testing.M) int {
	dir, err := os.MkdirTemp("", "fhirsvc-e2e-")
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	defer os.RemoveAll(dir) //nolint:errcheck // a temporary folder
	build := exec.Command("go", append(buildFlags(), "-o", filepath.Join(dir, "fhirsvc"), ".")...)
	if out, err := build.CombinedOutput(); err != nil {
		fmt.Fprintf(os.Stderr, "build: %v\n%s", err, out)
		return 1
	}
	if err := os.Setenv("FHIRSVC_TEST_BINARY", filepath.Join(dir, "fhirsvc")); err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	return m.Run()
}

// process is a running fhirsvc.
type process struct {
	cmd    *exec.Cmd
	http   string
	nats   string
	stderr *buffer
	stdout *buffer
	temp   string // its folder for temporary files
	ended  chan struct{}
	err    error // once ended
}

// buffer keeps what a process writes.
type buffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (b *buffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.b.Write(p)
}

func (b *buffer) String() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.b.String()
}

// launch starts fhirsvc with the environment and arguments; nothing is inherited but
// the PATH. It is killed at the end of the test if it still runs.
func launch(t testing.TB, env []string, args ...string) *process {
	t.Helper()
	return launchBinary(t, os.Getenv("FHIRSVC_TEST_BINARY"), env, args...)
}

// launchBinary is for another build.
func launchBinary(t testing.TB, binary string, env []string, args ...string) *process {
	t.Helper()
	p := &process{stderr: &buffer{}, stdout: &buffer{}, ended: make(chan struct{}), temp: t.TempDir()}
	p.cmd = exec.Command(binary, args...)
	p.cmd.Env = append([]string{"PATH=" + os.Getenv("PATH"), "TMPDIR=" + p.temp}, env...)
	p.cmd.Stderr = p.stderr
	pipe, err := p.cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, p.cmd.Start())
	go p.read(pipe)
	t.Cleanup(func() {
		p.kill()
		if t.Failed() {
			t.Logf("stderr of fhirsvc %s:\n%s", strings.Join(args, " "), tail(complaints(p.stderr.String()), 40))
		}
	})
	return p
}

// read keeps stdout and waits for the end.
func (p *process) read(pipe io.Reader) {
	defer close(p.ended)
	lines := bufio.NewScanner(pipe)
	for lines.Scan() {
		say(p.stdout, "%s\n", lines.Text())
	}
	p.err = p.cmd.Wait()
}

// ready waits for the addresses that a sandbox prints.
func (p *process) ready(t testing.TB) *process {
	t.Helper()
	require.Eventually(t, func() bool {
		for line := range strings.SplitSeq(p.stdout.String(), "\n") {
			if url, ok := strings.CutPrefix(line, "http="); ok {
				p.http = url
			}
			if url, ok := strings.CutPrefix(line, "nats="); ok {
				p.nats = url
			}
		}
		return p.nats != "" || p.hasEnded()
	}, 30*time.Second, 2*time.Millisecond)
	require.False(t, p.hasEnded(), "it ended: %v\n%s", p.err, p.stderr)
	return p
}

func (p *process) hasEnded() bool {
	select {
	case <-p.ended:
		return true
	default:
		return false
	}
}

// kill ends the process as a power cut would, as far as the process can tell.
func (p *process) kill() {
	_ = p.cmd.Process.Kill() // it may have ended
	<-p.ended
}

// stop ends the process as its surroundings do, and wants it to end well.
func (p *process) stop(t testing.TB) {
	t.Helper()
	require.NoError(t, p.cmd.Process.Signal(syscall.SIGTERM))
	select {
	case <-p.ended:
	case <-time.After(30 * time.Second):
		t.Fatal("does not stop")
	}
	require.NoError(t, p.err, p.stderr)
}

// complaints leaves out what merely happened.
func complaints(log string) string {
	var lines []string
	for line := range strings.Lines(log) {
		if !strings.Contains(line, `"level":"INFO"`) {
			lines = append(lines, line)
		}
	}
	return strings.Join(lines, "")
}

// temporary lists what a process has put into its folder for temporary files.
func temporary(t *testing.T, p *process) []os.DirEntry {
	t.Helper()
	entries, err := os.ReadDir(p.temp)
	require.NoError(t, err)
	return entries
}

func tail(text string, n int) string {
	lines := strings.Split(strings.TrimSpace(text), "\n")
	return strings.Join(lines[max(0, len(lines)-n):], "\n")
}

// database makes an empty database of its own and gives its URL.
func database(t *testing.T) string {
	t.Helper()
	url := os.Getenv("FHIRSVC_TEST_DATABASE_URL")
	require.NotEmpty(t, url, "FHIRSVC_TEST_DATABASE_URL must name a PostgreSQL database; 'make test' sets one up")
	conn, err := pgx.Connect(t.Context(), url)
	require.NoError(t, err)
	defer conn.Close(t.Context()) //nolint:errcheck // the test is over for it
	name := fmt.Sprintf("e2e_%d_%d", os.Getpid(), time.Now().UnixNano())
	_, err = conn.Exec(t.Context(), "CREATE DATABASE "+name)
	require.NoError(t, err)
	t.Cleanup(func() { dropDatabase(t, url, name) })
	config := conn.Config()
	return fmt.Sprintf("postgres://%s:%s@%s:%d/%s?sslmode=disable", config.User, config.Password, config.Host, config.Port, name)
}

func dropDatabase(t *testing.T, url, name string) {
	ctx := context.WithoutCancel(t.Context()) // cleanups run after it has ended
	conn, err := pgx.Connect(ctx, url)
	require.NoError(t, err)
	defer conn.Close(ctx) //nolint:errcheck // the test is over
	_, err = conn.Exec(ctx, "DROP DATABASE IF EXISTS "+name+" WITH (FORCE)")
	require.NoError(t, err)
}
