package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/delivery/push/pushtest"
	"fhirsvc/internal/fhir/profiles"
	"fhirsvc/internal/fhir/validate"
)

// delivers starts the ward anew with an external FHIR server as its destination.
func (w *ward) delivers(t *testing.T) *pushtest.Server {
	t.Helper()
	server := pushtest.New(t, validate.New(profiles.Incoming()))
	list := filepath.Join(t.TempDir(), "destinations.json")
	text := fmt.Sprintf(`{"destinations": [{"name": "ehr", "base": %q, "timeout": "1s"}]}`, server.Base())
	require.NoError(t, os.WriteFile(list, []byte(text), 0o600))
	w.args = append(w.args, "--destinations", list)
	w.powerCut()
	require.Eventually(t, func() bool { // it is known before anything happens
		return strings.Contains(w.process.stderr.String(), "destination added")
	}, 10*time.Second, 10*time.Millisecond)
	return server
}

// mirrored says where what the server has differs from what the service has.
func (w *ward) mirrored(server *pushtest.Server) (fault string) {
	w.Helper()
	var ours []json.RawMessage
	for _, kind := range pushtest.Delivered() {
		found, err := w.client.Search(w.Context(), kind+"?_count=500")
		require.NoError(w, err)
		ours = append(ours, found...)
	}
	fault, err := server.Differs(ours)
	require.NoError(w, err)
	return fault
}

// register makes the patient of the story known to the server.
func (w *ward) register(server *pushtest.Server) string {
	w.Helper()
	a, err := w.client.Do(w.Context(), "GET", "/fhir/"+w.patient, nil, nil)
	require.NoError(w, err)
	return server.Put(string(a.Body))
}

// A whole episode reaches a server that fails in every way, from a service that is killed at
// any moment: in the end it has what the service has, each resource once.
func TestAnEpisodeReachesAnExternalServer(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	onEach(t, func(t *testing.T, w *ward) {
		server := w.delivers(t)
		var mu sync.Mutex
		random := rand.New(rand.NewPCG(seed, 2))
		server.Fail(func(string) pushtest.Fault {
			mu.Lock()
			defer mu.Unlock()
			faults := []pushtest.Fault{
				{Drop: true}, {Late: true}, {Cut: true}, {Status: 503, RetryAfter: "1"}, {Status: 500}, {Status: 409}, {Status: 412}, {Delay: 2 * time.Second},
			}
			if n := random.IntN(32); n < len(faults) {
				return faults[n]
			}
			return pushtest.Fault{}
		})
		for i, s := range story() {
			s.do(w)
			if i == 0 {
				w.register(server)
			}
			if i%8 == 3 {
				time.Sleep(time.Duration(random.IntN(50)) * time.Millisecond)
				w.powerCut()
			}
		}
		server.Fail(func(string) pushtest.Fault { return pushtest.Fault{} })
		fault := ""
		if !w.eventually(3*time.Minute, func() bool { fault = w.mirrored(server); return fault == "" }) {
			code, stdout, _ := w.outbox(t, "list", "--all", "--diagnostics")
			t.Fatalf("not the same:\n%s\noutbox (%d):\n%s", fault, code, stdout)
		}
		t.Logf("%d resources by %d transactions", len(server.All()), server.Writes())
	})
}

func (w *ward) eventually(most time.Duration, done func() bool) bool {
	for end := time.Now().Add(most); time.Now().Before(end); time.Sleep(500 * time.Millisecond) {
		if done() {
			return true
		}
	}
	return false
}

// outbox runs the command on the ward's store. The embedded one belongs to one process, so
// that the service is stopped meanwhile.
func (w *ward) outbox(t *testing.T, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	env := map[string]string{}
	var o, e bytes.Buffer
	if i := slices.Index(w.args, "--database"); i >= 0 {
		env["FHIRSVC_DATABASE_URL"] = w.args[i+1]
	} else {
		args = append([]string{"--data", w.args[slices.Index(w.args, "--data")+1]}, args...)
		w.process.stop(t)
		w.client.Close()
		defer w.start()
	}
	code = run(t.Context(), append([]string{"outbox"}, args...), surroundings{getenv: from(env), stdout: &o, stderr: &e})
	return code, o.String(), e.String()
}

// What a server refuses is listed without a word of the patient, tried again when the cause is
// gone, or dropped with a reason that is kept.
func TestOutbox(t *testing.T) {
	onEach(t, func(t *testing.T, w *ward) {
		server := w.delivers(t)
		server.Fail(func(string) pushtest.Fault {
			return pushtest.Fault{Status: 422, Body: `{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"business-rule","diagnostics":"canary of a name"}]}`}
		})
		w.turn("10:05")
		w.send(theCase().Event())
		w.find(theCase())
		w.register(server)
		var stdout string
		require.True(t, w.eventually(30*time.Second, func() bool {
			_, stdout, _ = w.outbox(t, "list")
			return strings.Count(stdout, "\n") == 2
		}), stdout)
		line := strings.Fields(strings.Split(stdout, "\n")[1])
		require.Equal(t, "refused", line[3])
		require.Equal(t, "business-rule", line[4])
		require.NotContains(t, stdout, "canary")
		require.NotContains(t, w.process.stderr.String(), "canary")
		name := line[0]

		_, stdout, _ = w.outbox(t, "list", "--format", "json", "--diagnostics", "--destination", "ehr", "--code", "business-rule")
		var one held
		require.NoError(t, json.Unmarshal([]byte(stdout), &one))
		require.Equal(t, name, one.Name)
		require.Equal(t, "canary of a name", one.Diagnostics)
		require.Equal(t, 422, one.Status)
		require.Equal(t, w.plan, "CarePlan/"+w.planID(one.Episode))
		for _, other := range [][]string{{"--code", "conflict"}, {"--destination", "archive"}, {"--episode", "none"}} {
			_, stdout, _ = w.outbox(t, append([]string{"list", "--format", "json"}, other...)...)
			require.Empty(t, stdout)
		}

		server.Fail(func(string) pushtest.Fault { return pushtest.Fault{} })
		code, stdout, stderr := w.outbox(t, "retry", "all")
		require.Equal(t, exitOK, code, stderr)
		require.Equal(t, name+" is tried again\n", stdout)
		require.True(t, w.eventually(30*time.Second, func() bool { return w.mirrored(server) == "" }))

		server.Fail(func(string) pushtest.Fault {
			return pushtest.Fault{Status: 400, Body: `{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"invalid"}]}`}
		})
		w.turn("10:12")
		w.chart("band-air-volume=15", dry, flat, hand, patent)
		require.True(t, w.eventually(30*time.Second, func() bool {
			_, stdout, _ = w.outbox(t, "list")
			return strings.Contains(stdout, "invalid")
		}), stdout)
		name = strings.Fields(strings.Split(stdout, "\n")[1])[0]
		code, _, stderr = w.outbox(t, "drop", "--reason", "sent by hand", name, "ehr/999999", "jetstream/999999")
		require.Equal(t, exitFailed, code)
		require.Contains(t, stderr, "ehr/999999: drop: not-found: nothing waits under this name")
		require.NotContains(t, stderr, name+":")
		_, stdout, _ = w.outbox(t, "list", "--all")
		require.Equal(t, 1, strings.Count(stdout, "\n"), stdout)
		found, err := w.client.Search(t.Context(), "AuditEvent?_count=100")
		require.NoError(t, err)
		require.Len(t, found, 1, "the sandbox keeps no other record")
		require.Contains(t, string(found[0]), `"fhirsvc outbox"`)

		server.Fail(func(string) pushtest.Fault { return pushtest.Fault{} })
		w.turn("10:20")
		w.chart(dry)
		require.True(t, w.eventually(30*time.Second, func() bool { // what came later is delivered
			for _, r := range server.All() {
				if r["resourceType"] == "Observation" {
					return true
				}
			}
			return false
		}))
		code, stdout, stderr = w.outbox(t, "end", "--reason", "a test", "ehr")
		require.Equal(t, exitOK, code, stderr)
		require.Equal(t, "ehr is forgotten\n", stdout)
	})
}

// planID reads the plan of an episode.
func (w *ward) planID(episode string) string {
	w.Helper()
	var plan struct{ ID string }
	w.only("CarePlan?identifier=https://fhirsvc.example/fhir/NamingSystem/episode|"+episode, &plan)
	return plan.ID
}

func TestOutboxUsage(t *testing.T) {
	for name, args := range map[string][]string{
		"no verb": nil, "unknown verb": {"repeat"}, "no name": {"retry"}, "no such name": {"retry", "ehr"}, "no number": {"retry", "ehr/x"},
		"drop without a reason": {"drop", "ehr/1"}, "an empty reason": {"drop", "--reason", " ", "ehr/1"}, "drop all": {"drop", "--reason", "x", "all"},
		"overwrite all": {"retry", "--overwrite", "all"}, "end without a reason": {"end", "ehr"}, "end nothing": {"end", "--reason", "x"},
		"another format": {"list", "--format", "xml"}, "list what": {"list", "ehr/1"},
	} {
		t.Run(name, func(t *testing.T) {
			var o, e bytes.Buffer
			code := run(t.Context(), append([]string{"outbox"}, args...), surroundings{getenv: from(nil), stdout: &o, stderr: &e})
			require.Equal(t, exitUsage, code, e.String())
		})
	}
	var o, e bytes.Buffer
	require.Equal(t, exitUsage, run(t.Context(), []string{"outbox", "list"}, surroundings{getenv: from(nil), stdout: &o, stderr: &e}))
	require.Contains(t, e.String(), "FHIRSVC_DATABASE_URL: must be set")
}
