package main

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/stretchr/testify/require"

	"fhirsvc/internal/episode"
)

// rejected runs the command against the ward's broker.
func (w *ward) rejected(args ...string) (code int, stdout, stderr string) {
	w.Helper()
	var o, e bytes.Buffer
	getenv := from(map[string]string{"FHIRSVC_NATS_URL": w.process.nats})
	code = run(w.Context(), append([]string{"rejected"}, args...), surroundings{getenv: getenv, stdout: &o, stderr: &e})
	return code, o.String(), e.String()
}

// refuse puts an event among the rejected ones, as a release that could not read it would
// have done.
func (w *ward) refuse(event []byte) {
	w.Helper()
	nc, err := nats.Connect(w.process.nats)
	require.NoError(w, err)
	defer nc.Close()
	js, err := jetstream.New(nc)
	require.NoError(w, err)
	body, err := json.Marshal(episode.Rejection{Reason: json.RawMessage(`{"resourceType":"OperationOutcome"}`), Original: event})
	require.NoError(w, err)
	_, err = js.Publish(w.Context(), "fhirsvc.rejected.procedure", body)
	require.NoError(w, err)
}

// What was refused is listed with its reason and can be read byte for byte; sent again it
// is judged anew; dropped it is gone.
func TestRejected(t *testing.T) {
	onEach(t, func(t *testing.T, w *ward) {
		w.turn("10:05")
		bad := []byte(`{"resourceType":"Bundle","type":"message"}`)
		w.send(bad)
		w.wantRejected("invariant", string(bad))
		w.refuse(theCase().Event())

		code, stdout, stderr := w.rejected("list")
		require.Equal(t, exitOK, code, stderr)
		lines := strings.Split(strings.TrimSpace(stdout), "\n")
		require.Len(t, lines, 3, stdout)
		require.Contains(t, lines[1], "invariant")
		require.NotContains(t, lines[2], "P-0001", "nobody's name in the list")

		_, stdout, _ = w.rejected("show", "1")
		require.Contains(t, stdout, `"resourceType": "OperationOutcome"`)
		_, stdout, _ = w.rejected("show", "--original", "2")
		require.Equal(t, string(theCase().Event()), stdout, "byte for byte")

		code, stdout, stderr = w.rejected("replay", "all")
		require.Equal(t, exitOK, code, stderr)
		require.Equal(t, "1 sent again\n2 sent again\n", stdout)
		w.settle()
		w.find(theCase())
		require.Len(t, w.stream("PROCEDURE_EVENTS_REJECTED"), 2, "what is refused again for the same reason is listed once")

		code, _, stderr = w.rejected("drop", "1", "2", "7")
		require.Equal(t, exitFailed, code)
		require.Contains(t, stderr, "7: there is no rejected event of that number")
		_, stdout, _ = w.rejected("list")
		require.Len(t, strings.Split(strings.TrimSpace(stdout), "\n"), 1, stdout)
	})
}

func TestRejectedUsage(t *testing.T) {
	for name, args := range map[string][]string{
		"no verb": nil, "unknown verb": {"repeat"}, "no number": {"replay"}, "no such number": {"drop", "first"},
		"two to show": {"show", "1", "2"}, "drop all": {"drop", "all"}, "zero": {"show", "0"},
	} {
		t.Run(name, func(t *testing.T) {
			var o, e bytes.Buffer
			code := run(t.Context(), append([]string{"rejected"}, args...), surroundings{getenv: from(nil), stdout: &o, stderr: &e})
			require.Equal(t, exitUsage, code, e.String())
		})
	}
	var o, e bytes.Buffer
	require.Equal(t, exitUsage, run(t.Context(), []string{"rejected", "list"}, surroundings{getenv: from(nil), stdout: &o, stderr: &e}))
	require.Contains(t, e.String(), "FHIRSVC_NATS_URL: must be set")
}
