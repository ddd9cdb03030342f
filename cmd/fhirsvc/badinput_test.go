package main

import (
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/sandbox/bedside"
)

const (
	eventually = 30 * time.Second
	tick       = 20 * time.Millisecond
)

// edited is the case's event with one text replaced everywhere; it must be there.
func edited(t testing.TB, c bedside.Case, old, with string) []byte {
	t.Helper()
	event := string(c.Event())
	require.Contains(t, event, old)
	return []byte(strings.ReplaceAll(event, old, with))
}

// What can't be read or placed is refused at both doors, with the reason, and nothing of
// it is stored.
func TestUnreadableEvents(t *testing.T) {
	tests := []struct {
		name  string
		event func(t *testing.T, c bedside.Case) []byte
		code  string
	}{
		{"not JSON", func(*testing.T, bedside.Case) []byte { return []byte(`{"resourceType": "Bundle", not JSON 1`) }, "invalid"},
		{"not a Bundle", func(_ *testing.T, c bedside.Case) []byte {
			return []byte(`{"resourceType":"Patient","identifier":[{"system":"https://hospital.example/patient","value":"N-77"}]}`)
		}, ""},
		{"no Procedure", func(t *testing.T, c bedside.Case) []byte {
			return withoutEntry(t, c.Event(), "Procedure")
		}, ""},
		{"no identifier of the Procedure", func(t *testing.T, c bedside.Case) []byte {
			return edited(t, c, `"identifier":[{"system":"https://hospital.example/procedure","use":"official","value":"P-0001"}],`, "")
		}, "required"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			onEach(t, func(t *testing.T, w *ward) {
				w.turn("10:05")
				event := tt.event(t, theCase())
				a := w.processMessage(event)
				o := readOutcome(w, a.Body)
				require.GreaterOrEqual(t, a.Status, 400)
				require.Less(t, a.Status, 500, string(a.Body))
				require.Contains(t, []string{"error", "fatal"}, o.Issue[0].Severity)
				if tt.code != "" {
					require.Equal(t, tt.code, o.Issue[0].Code, string(a.Body))
				}
				require.NotContains(t, string(a.Body), ".go:", "no stack trace")
				w.send(event)
				w.wantRejected(o.Issue[0].Code, string(event[:30]))
				for _, kind := range resourceTypes() {
					require.Empty(t, w.ids(kind), "%s stored", kind)
				}
			})
		})
	}
}

// withoutEntry leaves the entries of a type out of a Bundle.
func withoutEntry(t *testing.T, event []byte, kind string) []byte {
	t.Helper()
	var bundle map[string]json.RawMessage
	require.NoError(t, json.Unmarshal(event, &bundle))
	var entries, kept []json.RawMessage
	require.NoError(t, json.Unmarshal(bundle["entry"], &entries))
	for _, e := range entries {
		if !strings.Contains(string(e), `"resourceType":"`+kind+`"`) {
			kept = append(kept, e)
		}
	}
	require.Less(t, len(kept), len(entries))
	var err error
	bundle["entry"], err = json.Marshal(kept)
	require.NoError(t, err)
	out, err := json.Marshal(bundle)
	require.NoError(t, err)
	return out
}

// What is readable but odd is taken in, and shown.
func TestOddEvents(t *testing.T) {
	tests := []struct {
		name  string
		event func(t *testing.T, c bedside.Case) []byte
		plans int
		task  string // an open Task whose key begins so
	}{
		{"unknown code: a clinician is asked", func(t *testing.T, c bedside.Case) []byte {
			return edited(t, c, `"code":"33367005"`, `"code":"80146002"`) // appendectomy
		}, 1, "clinician-review/"},
		{"another access route: nothing starts", func(t *testing.T, c bedside.Case) []byte {
			return edited(t, c, `"code":"368503001"`, `"code":"7657000"`) // femoral artery
		}, 0, ""},
		{"no readable site: a person is asked", func(t *testing.T, c bedside.Case) []byte {
			return edited(t, c, `"code":"368503001"`, `"code":"39937001"`) // skin
		}, 1, "clinician-review/"},
		{"a broken side entry: it alone is left out, its content is asked for", func(t *testing.T, c bedside.Case) []byte {
			return edited(t, c, `"value":15}`, `"value":"fifteen"}`)
		}, 1, "record-band-volume/"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			onEach(t, func(t *testing.T, w *ward) {
				w.turn("10:05")
				event := tt.event(t, theCase())
				w.send(event)
				require.Len(t, w.ids("CarePlan"), tt.plans)
				require.Empty(t, w.stream("PROCEDURE_EVENTS_REJECTED"))
				a := w.processMessage(event) // a repeat, through the other door
				require.Equal(t, http.StatusOK, a.Status, string(a.Body))
				w.wantSound(tt.plans)
				if tt.task == "" {
					return
				}
				w.find(theCase())
				require.Contains(t, "\n"+describe(w.tasks()), "\n"+tt.task)
			})
		})
	}
}

// What can't be read or placed of a finding is refused, and nothing of it is stored.
func TestRefusedFindings(t *testing.T) {
	tests := []struct {
		name     string
		finding  string
		edit     [2]string
		status   int
		code     string
		contains string // in the answer, as the element or the words that help
	}{
		{"not JSON", "hand-check=normal", [2]string{`{"`, `{`}, 400, "invalid", ""},
		{"no code", "hand-check=normal", [2]string{`"code":{"coding":[{"code":"hand-check","system":"https://fhirsvc.example/fhir/CodeSystem/radial-compression"}]},`, ``}, 400, "required", "code"},
		{"negative volume", "band-air-removed=3", [2]string{`"value":3}`, `"value":-3}`}, 400, "value", "negative"},
		{"absurd volume", "band-air-removed=3", [2]string{`"value":3}`, `"value":300}`}, 400, "value", "twice the device's maximum"},
		{"unknown unit", "band-air-removed=3", [2]string{`"code":"mL"`, `"code":"[foz_us]"`}, 400, "value", "mL"},
		{"future", "hand-check=normal", [2]string{`"2025-03-04T10:30:00.000Z"`, `"2025-03-04T10:36:00.000Z"`}, 400, "value", "future"},
		{"no patient", "hand-check=normal", [2]string{`"subject":{"reference":"PATIENT"},`, ``}, 400, "required", "subject"},
	}
	onEach(t, func(t *testing.T, w *ward) {
		w.turn("10:05")
		w.send(theCase().Event())
		w.find(theCase())
		w.turn("10:30")
		before := len(w.ids("Observation"))
		for _, tt := range tests {
			t.Run(tt.name, func(t *testing.T) {
				w := *w
				w.TB = t
				body := string(w.observations(tt.finding)[0])
				old := strings.Replace(tt.edit[0], "PATIENT", w.patient, 1)
				require.Contains(t, body, old)
				a, err := w.client.Do(t.Context(), http.MethodPost, "/fhir/Observation", []byte(strings.Replace(body, old, tt.edit[1], 1)), nil)
				require.NoError(t, err)
				w.wantOutcome(a, tt.status, tt.code)
				require.Contains(t, string(a.Body), tt.contains)
				require.Len(t, w.ids("Observation"), before, "nothing was stored")
			})
		}
	})
}

// With bands on both wrists a finding of a site needs a side; one of the whole patient
// doesn't.
func TestTwoWrists(t *testing.T) {
	onEach(t, func(t *testing.T, w *ward) {
		w.turn("10:05")
		const right = `"bodySite":[{"coding":[{"code":"368503001","system":"http://snomed.info/sct"}],"text":"Right radial artery"}]`
		const both = `"bodySite":[{"coding":[{"code":"368503001","system":"http://snomed.info/sct"}]},{"coding":[{"code":"368504007","system":"http://snomed.info/sct"}]}]`
		w.send(edited(t, theCase(), right, both))
		require.Len(t, w.ids("CarePlan"), 2)
		var procedure struct {
			ID      string
			Subject struct{ Reference string }
		}
		w.only("Procedure?identifier="+theCase().Procedure(), &procedure)
		w.procedure, w.patient = "Procedure/"+procedure.ID, procedure.Subject.Reference
		before := len(w.ids("Observation"))
		f := bedside.Finding{Code: "access-site-bleeding", Answer: "haemostasis", At: at("10:05"), By: bedside.Nurse(), Patient: w.patient, PartOf: w.procedure}
		a, err := w.client.Do(t.Context(), http.MethodPost, "/fhir/Observation", f.Observation(), nil)
		require.NoError(t, err)
		w.wantOutcome(a, http.StatusUnprocessableEntity, "business-rule")
		require.Len(t, w.ids("Observation"), before)
		f.Side = "left"
		_, err = w.client.Create(t.Context(), "Observation", f.Observation())
		require.NoError(t, err)
		whole := bedside.Finding{Code: "general-condition", Answer: "well", At: at("10:05"), By: bedside.Nurse(), Patient: w.patient}
		_, err = w.client.Create(t.Context(), "Observation", whole.Observation())
		require.NoError(t, err)
		w.wantSound(2)
	})
}

// A Task is not completed without its findings; the answer names them. Against the plan,
// but charted, everything is taken.
func TestTasksAgainstThePlan(t *testing.T) {
	onEach(t, func(t *testing.T, w *ward) {
		w.turn("10:05")
		w.send(theCase().Event())
		w.find(theCase())
		task := w.task("site-check/1")
		a, err := w.client.Do(t.Context(), http.MethodPatch, "/fhir/Task/"+task.ID,
			[]byte(`[{"op":"replace","path":"/status","value":"completed"}]`), http.Header{"Content-Type": {"application/json-patch+json"}})
		require.NoError(t, err)
		w.wantOutcome(a, http.StatusUnprocessableEntity, "business-rule")
		require.Contains(t, string(a.Body), "access-site-bleeding")
		require.Equal(t, task, w.task("site-check/1"), "nothing of it was stored")

		w.turn("10:20")
		w.chart("band-air-removed=3") // forty minutes early
		require.NotEqual(t, "draft", w.task("release-step/1").Status)
		w.wantVolume("12")
		w.chart("band-air-removed=14") // more than there is: kept, and the volume is in doubt
		require.Contains(t, w.task("settle-volume/1").Notes[0], "UNCERTAIN")
		require.Contains(t, describe(w.tasks()), "settle-volume/1 ready")
		w.wantSound(1)
	})
}

// Too long a message is refused with its digest, not kept whole.
func TestEventTooLong(t *testing.T) {
	onEach(t, func(t *testing.T, w *ward) {
		w.turn("10:05")
		long := edited(t, theCase(), `"text":"Right radial artery"`, fmt.Sprintf(`"text":"%s"`, strings.Repeat("x", 600<<10)))
		w.wantOutcome(w.processMessage(long), http.StatusRequestEntityTooLarge, "too-long")
		w.send(long)
		w.wantRejected("too-long", string(long[:40]))
		require.Empty(t, w.ids("CarePlan"))
	})
}
