package episode

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
)

// nothingStored proves that a refused input left no trace.
func (b *bench) nothingStored(resourceTypes ...string) {
	b.t.Helper()
	for _, kind := range resourceTypes {
		require.Empty(b.t, b.all(kind), "a %s was stored", kind)
	}
	n, err := b.Store.Unsettled(b.t.Context())
	require.NoError(b.t, err)
	require.Zero(b.t, n, "something is to be told")
}

func TestMessageRejects(t *testing.T) {
	good := string(newEvent().body())
	tests := []struct {
		name, body string
		door       Door
		kind       outcome.Code
		at         string // expression of the first error
	}{
		{"not JSON", `procedure completed`, DoorJetStream, outcome.CodeInvalid, ""},
		{"cut off", good[:len(good)/2], DoorJetStream, outcome.CodeInvalid, ""},
		{"not a Bundle", `{"resourceType":"Patient"}`, DoorJetStream, outcome.CodeStructure, ""},
		{"bare Procedure over HTTP", `{"resourceType":"Procedure"}`, DoorHTTP, outcome.CodeStructure, "Procedure"},
		{"no Procedure", `{"resourceType":"Bundle","type":"collection","entry":[{"resource":{"resourceType":"Basic","code":{"text":"x"}}}]}`, DoorJetStream, outcome.CodeStructure, "Bundle.entry"},
		{"unknown event", strings.Replace(good, "procedure-completed", "procedure-begun", 1), DoorHTTP, outcome.CodeCodeInvalid, "Bundle.entry[0].resource.event"},
		{"no timestamp", strings.Replace(good, `"timestamp":"2026-03-04T09:45:00Z",`, "", 1), DoorHTTP, outcome.CodeRequired, "Bundle.timestamp"},
		{"focus on nothing", strings.Replace(good, `"focus":[{"reference":"urn:uuid:00000000-0000-4000-8000-000000000002"}]`, `"focus":[{"reference":"Procedure/x"}]`, 1), DoorHTTP, outcome.CodeRequired, "Bundle.entry[0].resource.focus"},
		{"no identifier of the procedure", strings.Replace(good, `"identifier":[{"system":"`+procedures+`","value":"P-1"}],`, "", 1), DoorHTTP, outcome.CodeRequired, "Bundle.entry[1].resource.identifier"},
		{"no identifier of the patient", strings.Replace(good, `"identifier":[{"system":"`+patients+`","value":"4711"}],`, "", 1), DoorHTTP, outcome.CodeRequired, "Bundle.entry[2].resource.identifier"},
		{"procedure under way", strings.Replace(good, `"status":"completed"`, `"status":"in-progress"`, 1), DoorHTTP, outcome.CodeBusinessRule, "Bundle.entry[1].resource.status"},
		{"unknown status", strings.Replace(good, `"status":"completed"`, `"status":"finished"`, 1), DoorHTTP, outcome.CodeCodeInvalid, "Bundle.entry[1].resource.status"},
		{"too long", good + strings.Repeat(" ", MaxMessage), DoorJetStream, outcome.CodeTooLong, ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			b := newBench(t, nil)
			_, err := b.Message(t.Context(), Message{Body: []byte(tt.body), Door: tt.door})
			require.Error(t, err)
			require.Equal(t, tt.kind, outcome.KindOf(err), issuesOf(err))
			if tt.at != "" {
				require.Contains(t, issuesOf(err), `"expression":["`+tt.at+`"]`)
			}
			b.nothingStored("Patient", "Procedure", "CarePlan", "Observation")
		})
	}
}

// All faults are named at once.
func TestMessageCollectsFaults(t *testing.T) {
	b := newBench(t, nil)
	body := strings.NewReplacer(
		`"id":"m1",`, "", `"source":{"endpoint":"`+endpoint+`"}`, `"source":{"name":"x"}`,
		`"identifier":[{"system":"`+procedures+`","value":"P-1"}],`, "",
	).Replace(string(newEvent().body()))
	_, err := b.Message(t.Context(), Message{Body: []byte(body), Door: DoorHTTP, By: nurse()})
	require.Error(t, err)
	for _, at := range []string{"Bundle.entry[0].resource.id", "Bundle.entry[0].resource.source.endpoint", "Bundle.entry[1].resource.identifier"} {
		require.Contains(t, issuesOf(err), at)
	}
}

func TestRejectedIsEvaluatedAgain(t *testing.T) {
	b := newBench(t, nil)
	bad := newEvent()
	bad.status = "in-progress"
	_, err := b.send(bad)
	require.Error(t, err)
	require.NoError(t, b.Reject(t.Context(), Message{Body: bad.body(), Door: DoorJetStream}, err))
	b.mustSend(newEvent()) // the same identity, now sound
	require.Len(t, b.all("CarePlan"), 1)
}

func (b *bench) rejections() []Rejection {
	leases, err := b.Store.LeaseOutbox(b.t.Context(), "test", store.Partitions, time.Minute)
	require.NoError(b.t, err)
	var all []Rejection
	for _, l := range leases {
		rows, err := b.Store.Unsent(b.t.Context(), []store.Lease{l}, 100)
		require.NoError(b.t, err)
		for _, row := range rows {
			require.Equal(b.t, "fhirsvc.rejected.procedure", row.Subject)
			var r Rejection
			require.NoError(b.t, json.Unmarshal(row.Body, &r))
			all = append(all, r)
		}
	}
	return all
}

func TestRejectKeepsTheOriginal(t *testing.T) {
	b := newBench(t, nil)
	body := []byte("not \xff JSON")
	_, err := b.Message(t.Context(), Message{Body: body, Door: DoorJetStream})
	require.Error(t, err)
	m := Message{Body: body, ContentType: "text/plain", Door: DoorJetStream}
	for range 3 { // the acknowledgement may get lost
		require.NoError(t, b.Reject(t.Context(), m, err))
	}
	all := b.rejections()
	require.Len(t, all, 1)
	require.Equal(t, body, all[0].Original)
	require.Equal(t, "text/plain", all[0].ContentType)
	require.Contains(t, string(all[0].Reason), `"OperationOutcome"`)
	require.False(t, all[0].Truncated)
}

func TestRejectShortensWhatIsTooLong(t *testing.T) {
	b := newBench(t, nil)
	body := bytes.Repeat([]byte("x"), MaxMessage+1)
	m := Message{Body: body, Door: DoorJetStream}
	_, err := b.Message(t.Context(), m)
	require.Equal(t, outcome.CodeTooLong, outcome.KindOf(err))
	require.NoError(t, b.Reject(t.Context(), m, err))
	all := b.rejections()
	require.Len(t, all, 1)
	require.Len(t, all[0].Original, 64<<10)
	require.True(t, all[0].Truncated)
	require.Equal(t, digest(body), all[0].SHA256)
	require.Equal(t, len(body), all[0].Size)
}
