package scale

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/stretchr/testify/require"
	"golang.org/x/sync/errgroup"

	"fhirsvc/api"
	"fhirsvc/internal/events"
	"fhirsvc/internal/sandbox"
)

// serving starts the real binary on a database, with a broker that has nothing for it. It gives
// how long it took until it said that it was ready, what it had in memory some seconds later,
// and the most that it had until it had shown all wards' open Tasks to four screens ten times
// each; in kB.
func serving(t testing.TB, binary, database string) (ready time.Duration, idle, most int) {
	t.Helper()
	broker, err := sandbox.StartBroker("127.0.0.1:0", t.TempDir())
	require.NoError(t, err)
	defer broker.Close()
	nc, err := nats.Connect(broker.URL())
	require.NoError(t, err)
	defer nc.Close()
	js, err := jetstream.New(nc)
	require.NoError(t, err)
	require.NoError(t, events.Prepare(t.Context(), js))
	free, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	address := free.Addr().String()
	require.NoError(t, free.Close())

	protocols := t.TempDir()
	for name, body := range api.Protocols() { // as a site approves them
		body = bytes.Replace(body, []byte(`"status": "draft"`),
			[]byte(`"status": "active", "approvalDate": "2025-01-15", "endorser": [{"name": "Invented cardiology unit"}]`), 1)
		require.NoError(t, os.WriteFile(filepath.Join(protocols, filepath.Base(name)), body, 0o600))
	}
	var log bytes.Buffer
	cmd := exec.Command(binary, "serve")
	cmd.Stdout, cmd.Stderr = &log, &log
	cmd.Env = []string{
		"FHIRSVC_DATABASE_URL=" + database, "FHIRSVC_NATS_URL=" + broker.URL(), "FHIRSVC_HTTP_ADDR=" + address,
		"FHIRSVC_CANONICAL_BASE=https://fhirsvc.example/fhir", "FHIRSVC_AUTHENTICATION=none", "FHIRSVC_PROTOCOLS=" + protocols,
	}
	began := time.Now()
	require.NoError(t, cmd.Start())
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		_ = cmd.Wait()
	}()
	defer func() {
		_ = cmd.Process.Signal(syscall.SIGTERM)
		<-ended
		run(t, database, `DELETE FROM protocol`) // others here go by the drafts
	}()
	for time.Since(began) < 30*time.Second {
		resp, err := http.Get("http://" + address + "/readyz")
		if err == nil {
			require.NoError(t, resp.Body.Close())
			if resp.StatusCode == http.StatusOK {
				ready = time.Since(began)
				break
			}
		}
		select {
		case <-ended:
			require.Fail(t, "it ended", log.String())
		case <-time.After(10 * time.Millisecond):
		}
	}
	require.NotZero(t, ready, "it does not get ready: %s", log.String())
	time.Sleep(5 * time.Second)
	idle = resident(t, cmd.Process.Pid, "VmRSS:")
	var screens errgroup.Group
	for range 4 {
		screens.Go(func() error {
			for range 10 {
				resp, err := http.Get("http://" + address + "/fhir/Task?status=ready,in-progress&_sort=due-date&_count=100")
				if err != nil {
					return err
				}
				_, err = io.Copy(io.Discard, resp.Body)
				if err = errors.Join(err, resp.Body.Close()); err != nil || resp.StatusCode != http.StatusOK {
					return fmt.Errorf("%s: %w", resp.Status, err)
				}
			}
			return nil
		})
	}
	require.NoError(t, screens.Wait())
	return ready, idle, resident(t, cmd.Process.Pid, "VmHWM:")
}

// resident gives what a process has in memory, or the most that it had (proc(5)), in kB.
func resident(t testing.TB, pid int, which string) int {
	t.Helper()
	status, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	require.NoError(t, err)
	_, rest, ok := strings.Cut(string(status), which)
	require.True(t, ok)
	n, err := strconv.Atoi(strings.Fields(rest)[0])
	require.NoError(t, err)
	return n
}

func buildBinary(t testing.TB) string {
	t.Helper()
	binary := filepath.Join(t.TempDir(), "fhirsvc")
	cmd := exec.Command("go", "build", "-o", binary, "./cmd/fhirsvc")
	cmd.Dir = "../.."
	said, err := cmd.CombinedOutput()
	require.NoError(t, err, string(said))
	return binary
}
