package main

import (
	"bytes"
	"cmp"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"fhirsvc/api"
	"fhirsvc/internal/sandbox"
	"fhirsvc/internal/sandbox/bedside"
)

// site is what serve needs around it: a broker, a database and a folder of protocols.
type site struct {
	nats, database, protocols string
	binary                    string // "" is this build
}

func (s site) launch(t testing.TB, more []string, args ...string) *process {
	t.Helper()
	return launchBinary(t, cmp.Or(s.binary, os.Getenv("FHIRSVC_TEST_BINARY")), append(s.env(), more...), args...)
}

func newSite(t *testing.T) site {
	t.Helper()
	broker, err := sandbox.StartBroker("127.0.0.1:0", t.TempDir())
	require.NoError(t, err)
	t.Cleanup(broker.Close)
	return site{nats: broker.URL(), database: database(t), protocols: approved(t)}
}

// approved writes the starter protocols as a site would after its own review.
func approved(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	for name, body := range api.Protocols() {
		require.Contains(t, string(body), `"status": "draft"`)
		body = bytes.Replace(body, []byte(`"status": "draft"`),
			[]byte(`"status": "active", "approvalDate": "2025-01-15", "endorser": [{"name": "Invented cardiology unit"}]`), 1)
		require.NoError(t, os.WriteFile(filepath.Join(dir, filepath.Base(name)), body, 0o600))
	}
	return dir
}

func (s site) env() []string {
	return []string{
		"FHIRSVC_DATABASE_URL=" + s.database, "FHIRSVC_NATS_URL=" + s.nats, "FHIRSVC_PROTOCOLS=" + s.protocols,
		"FHIRSVC_CANONICAL_BASE=https://hospital.example/fhir", "FHIRSVC_AUTHENTICATION=none", "FHIRSVC_HTTP_ADDR=127.0.0.1:0",
	}
}

// do runs a command to its end and gives its exit code and stderr.
func (s site) do(t *testing.T, args ...string) (code int, stderr string) {
	t.Helper()
	p := s.launch(t, nil, args...)
	select {
	case <-p.ended:
	case <-time.After(30 * time.Second):
		t.Fatalf("%s does not end:\n%s", args, p.stderr)
	}
	return p.cmd.ProcessState.ExitCode(), p.stderr.String()
}

func (s site) migrate(t *testing.T) {
	t.Helper()
	code, stderr := s.do(t, "migrate")
	require.Zero(t, code, stderr)
}

// serve starts a replica, with settings beside or instead of the site's, and waits until it
// is ready.
func (s site) serve(t *testing.T, more ...string) *ward {
	t.Helper()
	p := s.launch(t, more, "serve")
	require.Eventually(t, func() bool {
		_, rest, found := strings.Cut(p.stderr.String(), `"address":"`)
		address, _, _ := strings.Cut(rest, `"`)
		p.http, p.nats = "http://"+address, s.nats
		return found || p.hasEnded()
	}, eventually, tick)
	require.False(t, p.hasEnded(), p.stderr)
	w := joined(t, p)
	a, err := w.client.Do(t.Context(), http.MethodGet, "/readyz", nil, nil)
	require.NoError(t, err)
	require.Equal(t, http.StatusOK, a.Status, string(a.Body))
	return w
}

// Two replicas share nothing but the database and the broker: each event makes one plan
// whichever takes it, each due time is handled once, changes of both are told once and
// in order, and one goes on when the other is killed.
func TestTwoReplicas(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.migrate(t)
	s.migrate(t) // again changes nothing
	first, second := s.serve(t), s.serve(t)
	const plans = 40
	// The first release has its time an hour after the start: seconds from now, and for
	// all at once. Nobody has looked at the site, so it is withheld then.
	begun := time.Now().UTC().Truncate(time.Millisecond).Add(-time.Hour + 12*time.Second)
	var cases []bedside.Case
	for i := range plans {
		c := bedside.NewCase(100+i, "diagnostic", begun)
		cases = append(cases, c)
		event := c.Event()
		require.NoError(t, first.client.Send(t.Context(), event))
		require.NoError(t, second.client.Send(t.Context(), event))
		if i%4 == 0 {
			a := second.processMessage(event)
			require.Equal(t, http.StatusOK, a.Status, string(a.Body))
		}
	}
	require.Eventually(t, func() bool { return len(first.ids("CarePlan")) == plans }, eventually, tick)
	require.Eventually(t, func() bool {
		withheld, err := first.client.Search(t.Context(), "Task?code=release-step&status=on-hold&_count=100")
		return err == nil && len(withheld) == plans
	}, eventually, tick)

	second.process.kill()
	for _, c := range cases {
		first.find(c)
		f := bedside.Finding{Code: "access-site-bleeding", Answer: "haemostasis", At: time.Now(), By: bedside.Nurse(), Patient: first.patient, PartOf: first.procedure, Side: "right"}
		_, err := first.client.Create(t.Context(), "Observation", f.Observation())
		require.NoError(t, err)
		release := first.task("release-step/1")
		require.Equal(t, "ready", release.Status)
		require.Len(t, first.history("Task", release.ID), 3, "planned, withheld at its time, offered after a look")
	}
	first.wantSound(plans)
	first.keep()
	first.process.stop(t)
}

func TestServeRefusesToStart(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	code, stderr := s.do(t, "serve")
	require.Equal(t, exitUsage, code, stderr)
	require.Contains(t, stderr, "run migrate")

	s.migrate(t)
	conn, err := pgx.Connect(t.Context(), s.database)
	require.NoError(t, err)
	defer conn.Close(t.Context()) //nolint:errcheck // the test is over for it
	_, err = conn.Exec(t.Context(), fmt.Sprintf("ALTER DATABASE %s SET synchronous_commit = off", conn.Config().Database))
	require.NoError(t, err)
	wrong := s
	wrong.nats, wrong.protocols = "nats://127.0.0.1:1", t.TempDir()
	for name, body := range api.Protocols() {
		require.NoError(t, os.WriteFile(filepath.Join(wrong.protocols, filepath.Base(name)), body, 0o600))
	}
	code, stderr = wrong.do(t, "serve")
	require.Equal(t, exitUsage, code, stderr)
	require.Contains(t, stderr, "synchronous_commit = off")
	require.Contains(t, stderr, "connect to the broker")
	require.Equal(t, 2, strings.Count(stderr, "it is a draft"), "every problem at once: %s", stderr)
	_, err = conn.Exec(t.Context(), fmt.Sprintf("ALTER DATABASE %s RESET synchronous_commit", conn.Config().Database))
	require.NoError(t, err)

	away := s
	away.nats = "nats://127.0.0.1:1"
	code, stderr = away.do(t, "serve")
	require.Equal(t, exitFailed, code, stderr)
	require.Contains(t, stderr, "connect to the broker")
}
