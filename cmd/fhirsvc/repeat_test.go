package main

import (
	"encoding/json"
	"net/http"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/sandbox/bedside"
)

// processMessage sends an event through the other door.
func (w *ward) processMessage(event []byte) bedside.Answer {
	w.Helper()
	a, err := w.client.Do(w.Context(), http.MethodPost, "/fhir/$process-message", event, nil)
	require.NoError(w, err)
	return a
}

// corrected is the case as it was told again: less air, which counts from 10:20.
func corrected() bedside.Case {
	c := theCase()
	c.Version, c.Message, c.Volume = at("10:20"), "4f5d1cb4-6a0b-4c33-9d0e-4f1c2d1a7e02", "13"
	return c
}

// The same event five times, before and after its correction and through both doors.
func TestSameEventFiveTimes(t *testing.T) {
	const stream, web = "stream", "http"
	orders := map[string][]string{
		"correction last":  {"A " + stream, "A " + web, "A " + stream, "A " + web, "A " + stream, "B " + stream},
		"correction first": {"B " + web, "A " + stream, "A " + web, "A " + stream, "A " + web, "A " + stream},
		"in between":       {"A " + web, "B " + stream, "A " + stream, "B " + web, "A " + web, "A " + stream, "A " + web},
	}
	for name, order := range orders {
		t.Run(name, func(t *testing.T) {
			onEach(t, func(_ *testing.T, w *ward) {
				w.turn("10:25")
				events := map[string][]byte{"A": theCase().Event(), "B": corrected().Event()}
				first := map[string]string{}
				for _, step := range order {
					which, door, _ := strings.Cut(step, " ")
					if door == stream {
						w.send(events[which])
						continue
					}
					a := w.processMessage(events[which])
					require.Equal(w, http.StatusOK, a.Status, string(a.Body))
					if first[which] == "" {
						first[which] = string(a.Body)
					}
					require.Equal(w, first[which], string(a.Body), "a repeat gets the first answer")
				}
				w.find(theCase())
				w.wantVolume("13")
				require.Empty(w, w.stream("PROCEDURE_EVENTS_REJECTED"))
				w.wantSound(1)
			})
		})
	}
}

// Other content under a message id that was accepted is a duplicate, and changes nothing.
func TestOtherContentUnderAnAcceptedID(t *testing.T) {
	onEach(t, func(_ *testing.T, w *ward) {
		w.turn("10:05")
		w.send(theCase().Event())
		w.find(theCase())
		other := theCase()
		other.Volume = "12"
		a := w.processMessage(other.Event())
		w.wantOutcome(a, http.StatusConflict, "duplicate")
		w.send(other.Event())
		w.wantRejected("duplicate", other.Message)
		w.wantVolume("15")
	})
}

// A repeat of a charted finding is one finding, also when its answer was lost.
func TestSameFindingTwice(t *testing.T) {
	onEach(t, func(_ *testing.T, w *ward) {
		w.turn("10:05")
		w.send(theCase().Event())
		w.find(theCase())
		w.turn("11:00")
		body := w.observations("band-air-removed=3")[0]
		first, err := w.client.Create(w.Context(), "Observation", body)
		require.NoError(w, err)
		require.Equal(w, http.StatusCreated, first.Status)
		again, err := w.client.Create(w.Context(), "Observation", body)
		require.NoError(w, err)
		require.Equal(w, http.StatusOK, again.Status)
		require.JSONEq(w, string(first.Body), string(again.Body))
		w.wantVolume("12")
	})
}

// wantOutcome compares status and first code of a refusal.
func (w *ward) wantOutcome(a bedside.Answer, status int, code string) outcomeJSON {
	w.Helper()
	require.Equal(w, status, a.Status, string(a.Body))
	require.True(w, strings.HasPrefix(a.Header.Get("Content-Type"), "application/fhir+json"), a.Header.Get("Content-Type"))
	o := readOutcome(w, a.Body)
	require.Equal(w, code, o.Issue[0].Code, string(a.Body))
	w.wantStrict(a.Body)
	return o
}

type outcomeJSON struct {
	ResourceType string
	Issue        []struct {
		Severity, Code string
		Details        struct{ Text string }
		Expression     []string
	}
}

func readOutcome(w *ward, body []byte) outcomeJSON {
	w.Helper()
	var o outcomeJSON
	require.NoError(w, json.Unmarshal(body, &o))
	require.Equal(w, "OperationOutcome", o.ResourceType)
	require.NotEmpty(w, o.Issue)
	return o
}

// wantRejected finds a rejected event by a text in it, and compares the reason's code.
// The original is there byte for byte.
func (w *ward) wantRejected(code, text string) {
	w.Helper()
	var found []byte
	require.Eventually(w, func() bool {
		for _, m := range w.stream("PROCEDURE_EVENTS_REJECTED") {
			var r struct{ Original []byte }
			require.NoError(w, json.Unmarshal(m, &r))
			if strings.Contains(string(r.Original), text) {
				found = m
				return true
			}
		}
		return false
	}, eventually, tick, "no rejected event holds %q", text)
	var r struct{ Reason json.RawMessage }
	require.NoError(w, json.Unmarshal(found, &r))
	o := readOutcome(w, r.Reason)
	require.Equal(w, code, o.Issue[0].Code, string(r.Reason))
	w.wantStrict(r.Reason)
}
