package episode

import (
	"encoding/json"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
	"fhirsvc/internal/workflow"
)

func TestMessageStartsAPlan(t *testing.T) {
	b := newBench(t, nil)
	answer, err := b.send(newEvent())
	require.NoError(t, err, issuesOf(err))
	require.False(t, answer.Repeat)
	require.Empty(t, answer.Warnings)
	require.Contains(t, string(answer.Response), `"code":"ok"`)
	require.Len(t, b.all("CarePlan"), 1)
	require.Len(t, b.all("Patient"), 1)
	require.Len(t, b.all("Procedure"), 1)
	require.Len(t, b.all("Observation"), 1)
	require.NotEmpty(t, b.tasks("release-step", "draft"))
	require.NotEmpty(t, b.tasks("site-check", "ready"))
	require.Contains(t, string(b.all("Observation")[0].Body), `"reference":"Patient/`+b.all("Patient")[0].ID)
	require.Contains(t, string(b.all("Observation")[0].Body), `"effectiveDateTime":"2026-03-04T10:40:00+01:00"`)
	b.mustReplay(b.theEpisode())
}

// Everything of the changeset is told, in the order in which it was stored.
func TestMessageAnnouncesEveryVersion(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	leases, err := b.Store.LeaseOutbox(t.Context(), "test", store.Partitions, time.Minute)
	require.NoError(t, err)
	told := map[string]bool{}
	for _, l := range leases {
		rows, err := b.Store.Unsent(t.Context(), []store.Lease{l}, 1000)
		require.NoError(t, err)
		for _, row := range rows {
			var c change
			require.NoError(t, json.Unmarshal(row.Body, &c))
			require.Equal(t, fmt.Sprintf("fhirsvc.changes.%s.create.%02d", c.Type, row.Partition), row.Subject)
			require.Equal(t, row.MessageID, row.Headers["Nats-Msg-Id"])
			require.Equal(t, row.MessageID, c.Type+"/"+c.ID+"/"+c.VersionID)
			require.Positive(t, c.Seq)
			require.NotContains(t, row.Subject+row.MessageID, "4711")
			told[c.Type+"/"+c.ID] = true
		}
	}
	for _, kind := range []string{"Patient", "Procedure", "Observation", "CarePlan", "Task", "Provenance"} {
		for _, r := range b.all(kind) {
			require.True(t, told[r.Type+"/"+r.ID], "%s/%s was not told", r.Type, r.ID)
		}
	}
}

func TestSameMessageFiveTimesIsOneEpisode(t *testing.T) {
	b := newBench(t, nil)
	first, err := b.send(newEvent())
	require.NoError(t, err)
	want := b.loaded(b.theEpisode())
	for range 4 {
		again, err := b.send(newEvent())
		require.NoError(t, err)
		require.True(t, again.Repeat)
		require.Equal(t, first.Response, again.Response)
	}
	require.Len(t, b.all("CarePlan"), 1)
	require.Equal(t, want.version, b.loaded(b.theEpisode()).version)
}

// White space makes no other content; anything else under the same identity does.
func TestSameIdentityOtherContent(t *testing.T) {
	b := newBench(t, nil)
	e := newEvent()
	b.mustSend(e)
	spaced := strings.ReplaceAll(string(e.body()), `,"`, ",\n  \"")
	_, err := b.Message(t.Context(), Message{Body: []byte(spaced), Door: DoorHTTP, By: nurse()})
	require.NoError(t, err)
	e.volume = "13"
	_, err = b.send(e)
	require.Equal(t, outcome.CodeDuplicate, outcome.KindOf(err))
}

func TestBothDoorsGiveOneEpisode(t *testing.T) {
	b := newBench(t, nil)
	for _, door := range []Door{DoorHTTP, DoorJetStream, DoorHTTP} {
		_, err := b.Message(t.Context(), Message{Body: newEvent().body(), Door: door, By: nurse()})
		require.NoError(t, err)
	}
	// A sender that makes a new message of the same event.
	e := newEvent()
	e.message = "m1-again"
	b.mustSend(e)
	require.Len(t, b.all("CarePlan"), 1)
	require.Len(t, b.all("Procedure"), 1)
	require.Len(t, b.all("Observation"), 1)
	b.mustReplay(b.theEpisode())
}

func TestCorrectionBeforeItsOriginal(t *testing.T) {
	b := newBench(t, nil)
	correction := newEvent()
	correction.message, correction.volume, correction.timestamp = "m2", "14", correction.timestamp.Add(time.Minute)
	b.mustSend(correction)
	procedure := b.all("Procedure")[0]
	b.mustSend(newEvent()) // the original comes late
	l := b.loaded(b.theEpisode())
	require.Len(t, l.core.Events, 2, "an older one is kept")
	require.Equal(t, "14", l.core.Plan.Summary.Book.Volume.String())
	require.Equal(t, procedure.Version, b.all("Procedure")[0].Version, "and has no effect")
	require.Contains(t, string(b.all("Observation")[0].Body), `"value":14`)
	b.mustReplay(b.theEpisode())
}

func TestCorrectionOfSideAndPatientStaysTheEpisode(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	e := newEvent()
	e.message, e.timestamp, e.patient = "m2", e.timestamp.Add(time.Minute), "4712"
	e.site = `[{"coding":[{"system":"http://snomed.info/sct","code":"368504007"}]}]`
	b.mustSend(e)
	require.Len(t, b.all("CarePlan"), 1)
	l := b.loaded(b.theEpisode())
	require.Equal(t, workflow.Left, l.side())
	require.Len(t, b.all("Patient"), 2)
	patient, _, err := b.Store.Identity(t.Context(), "Patient", patients, "4712")
	require.NoError(t, err)
	require.Equal(t, "Patient/"+patient, l.state.Refs.Subject)
	of, err := b.Store.EpisodesOf(t.Context(), patient)
	require.NoError(t, err)
	require.Equal(t, []string{b.theEpisode()}, of)
	require.Contains(t, string(b.all("CarePlan")[0].Body), `"reference":"Patient/`+patient)
	b.mustReplay(b.theEpisode())
}

func TestSixteenAtOnceAreOneEpisode(t *testing.T) {
	b := newBench(t, nil)
	var wg sync.WaitGroup
	errs := make([]error, 16)
	for i := range errs {
		wg.Go(func() {
			e := newEvent()
			e.message = fmt.Sprintf("m%d", i%4)
			_, errs[i] = b.send(e)
		})
	}
	wg.Wait()
	for _, err := range errs {
		require.NoError(t, err, issuesOf(err))
	}
	require.Len(t, b.all("CarePlan"), 1)
	require.Len(t, b.all("Patient"), 1)
	require.Len(t, b.all("Procedure"), 1)
	require.Len(t, b.all("Observation"), 1)
	require.EqualValues(t, 4, b.loaded(b.theEpisode()).version)
	b.mustReplay(b.theEpisode())
}

func TestTwoRadialSitesAreTwoEpisodes(t *testing.T) {
	b := newBench(t, nil)
	e := newEvent()
	e.noVolume = true
	e.site = `[{"coding":[{"system":"http://snomed.info/sct","code":"7657000"}]},
		{"coding":[{"system":"http://snomed.info/sct","code":"368503001"}]},
		{"coding":[{"system":"http://snomed.info/sct","code":"45631007"},{"system":"http://snomed.info/sct","code":"7771000"}]}]`
	b.mustSend(e)
	require.Len(t, b.all("CarePlan"), 2)
	second := b.ids.episode(fhir.Identifier{System: procedures, Value: "P-1"}, 2)
	require.Equal(t, workflow.Left, b.loaded(second).side())

	// The second site was a mistake: its plan is revoked, and its band still looked at.
	e.message, e.timestamp = "m2", e.timestamp.Add(time.Minute)
	e.site = newEvent().site
	b.mustSend(e)
	require.Equal(t, workflow.PlanRevoked, b.loaded(second).core.Plan.Status)
	require.Equal(t, workflow.PlanActive, b.loaded(b.theEpisode()).core.Plan.Status)
	b.mustReplay(b.theEpisode(), second)
}

func TestFemoralStartsNothing(t *testing.T) {
	b := newBench(t, nil)
	e := newEvent()
	e.site = `[{"coding":[{"system":"http://snomed.info/sct","code":"113270003"}]}]`
	answer, err := b.send(e)
	require.NoError(t, err)
	require.Contains(t, string(answer.Response), `"code":"ok"`)
	require.NotContains(t, string(answer.Response), `"focus"`)
	require.Empty(t, b.all("CarePlan"))
	require.Empty(t, b.all("Procedure"))
	again, err := b.send(e)
	require.NoError(t, err)
	require.True(t, again.Repeat)
}

func TestUnreadableSiteAsksAClinician(t *testing.T) {
	for name, site := range map[string]string{
		"no side":  `[{"coding":[{"system":"http://snomed.info/sct","code":"45631007"}]}]`,
		"no code":  `[{"text":"wrist"}]`,
		"brachial": `[{"coding":[{"system":"http://snomed.info/sct","code":"17137000"}]}]`,
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t, nil)
			e := newEvent()
			e.site = site
			answer, err := b.send(e)
			require.NoError(t, err, issuesOf(err))
			require.NotEmpty(t, answer.Warnings)
			require.NotEmpty(t, b.tasks("clinician-review", "ready"))
			require.Empty(t, b.tasks("release-step", ""))

			// The correction brings the side, and with it a protocol.
			e.message, e.timestamp, e.site = "m2", e.timestamp.Add(time.Minute), newEvent().site
			b.mustSend(e)
			require.NotEmpty(t, b.tasks("release-step", ""))
			b.mustReplay(b.theEpisode())
		})
	}
}

func TestRevokedBeforeItsStart(t *testing.T) {
	b := newBench(t, nil)
	e := newEvent()
	e.message, e.status, e.timestamp = "m2", "entered-in-error", e.timestamp.Add(time.Minute)
	b.mustSend(e)
	require.Empty(t, b.tasks("release-step", ""))
	b.mustSend(newEvent()) // what it takes back
	require.Empty(t, b.tasks("release-step", "ready"))
	require.Equal(t, workflow.PlanRevoked, b.loaded(b.theEpisode()).core.Plan.Status)
	b.mustReplay(b.theEpisode())
}

func TestRevokedAfterItsStart(t *testing.T) {
	for _, status := range []string{"entered-in-error", "not-done"} {
		t.Run(status, func(t *testing.T) {
			b := newBench(t, nil)
			b.mustSend(newEvent())
			e := newEvent()
			e.message, e.status, e.timestamp = "m2", status, e.timestamp.Add(time.Minute)
			b.mustSend(e)
			require.Equal(t, workflow.PlanRevoked, b.loaded(b.theEpisode()).core.Plan.Status)
			require.NotEmpty(t, b.tasks("site-check", "ready"), "the band is not known to be off")
			require.NotEmpty(t, b.tasks("confirm-band-state", "ready"))
			b.mustReplay(b.theEpisode())
		})
	}
}

func TestFaultBesideDropsThatEntry(t *testing.T) {
	b := newBench(t, nil)
	e := newEvent()
	e.volume = "-3"
	answer, err := b.send(e)
	require.NoError(t, err, issuesOf(err))
	require.NotEmpty(t, answer.Warnings)
	require.Contains(t, answer.Warnings[0].Expression, "Bundle.entry[3].resource.value")
	require.Len(t, b.all("CarePlan"), 1)
	require.Empty(t, b.all("Observation"))
	require.NotEmpty(t, b.tasks("record-band-volume", "ready"), "what is missing is asked for")
	require.NotEmpty(t, b.loaded(b.theEpisode()).core.Events[0].Dropped)
}

func TestFutureTimesAreNotBelieved(t *testing.T) {
	b := newBench(t, nil)
	b.set(sheathOut().Add(-time.Hour))
	b.at = sheathOut().Add(-time.Hour) // the service's clock is behind all times told
	answer, err := b.send(newEvent())
	require.NoError(t, err, issuesOf(err))
	require.NotEmpty(t, answer.Warnings)
	l := b.loaded(b.theEpisode())
	require.True(t, l.core.Events[0].CompressionStart.IsZero())
	require.True(t, l.core.Events[0].PerformedEnd.IsZero())
	require.Equal(t, b.Now(), l.core.Events[0].Order, "or no correction could outrank it")
}

func TestPatientIsUpdatedByNewerMessagesAlone(t *testing.T) {
	b := newBench(t, nil)
	named := func(message, procedure, family string, at time.Time) {
		e := newEvent()
		e.message, e.procedure, e.timestamp = message, procedure, at
		body := strings.Replace(string(e.body()), "Okonedo", family, 1)
		_, err := b.Message(t.Context(), Message{Body: []byte(body), Door: DoorHTTP, By: nurse()})
		require.NoError(t, err)
	}
	at := sheathOut()
	named("m1", "P-1", "Okonedo", at)
	named("m2", "P-2", "Okonedo-Lund", at.Add(2*time.Minute))
	named("m3", "P-3", "Okonedu", at.Add(time.Minute))
	all := b.all("Patient")
	require.Len(t, all, 1)
	require.EqualValues(t, 2, all[0].Version)
	require.Contains(t, string(all[0].Body), "Okonedo-Lund")
}

func TestMoveAndEnd(t *testing.T) {
	b := newBench(t, nil)
	e := newEvent()
	encounter := func(more string) string {
		return fmt.Sprintf(`{"fullUrl":"urn:uuid:00000000-0000-4000-8000-000000000009","resource":{"resourceType":"Encounter",
			"identifier":[{"system":"https://lindenbrook.example/ns/encounter","value":"E-9"}],"status":"in-progress",
			"class":{"system":"http://terminology.hl7.org/CodeSystem/v3-ActCode","code":"IMP"},
			"subject":{"identifier":{"system":%q,"value":"4711"}}%s}}`, patients, more)
	}
	e.beside = []string{encounter("")}
	body := strings.Replace(string(e.body()), `"performedPeriod"`, `"encounter":{"reference":"urn:uuid:00000000-0000-4000-8000-000000000009"},"performedPeriod"`, 1)
	_, err := b.Message(t.Context(), Message{Body: []byte(body), Door: DoorHTTP, By: nurse()})
	require.NoError(t, err, issuesOf(err))
	require.Len(t, b.all("Encounter"), 1)
	require.Contains(t, string(b.all("CarePlan")[0].Body), `"reference":"Encounter/`+b.all("Encounter")[0].ID)

	move := func(id, code, more string) (MessageAnswer, error) {
		body := fmt.Appendf(nil, `{"resourceType":"Bundle","type":"message","timestamp":"2026-03-04T09:50:00Z","entry":[
			{"fullUrl":"urn:uuid:00000000-0000-4000-8000-000000000001","resource":{"resourceType":"MessageHeader","id":%q,"eventCoding":{"system":%q,"code":%q},
			"source":{"endpoint":%q},"focus":[{"reference":"urn:uuid:00000000-0000-4000-8000-000000000009"}]}},%s]}`,
			id, fhir.SystemLocal, code, endpoint, encounter(more))
		return b.Message(t.Context(), Message{Body: body, Door: DoorHTTP, By: nurse()})
	}
	_, err = move("m2", "patient-moved", `,"location":[{"location":{"display":"Ward 3"},"status":"active","period":{"start":"2026-03-04T09:48:00Z"}}]`)
	require.NoError(t, err, issuesOf(err))
	_, err = move("m3", "encounter-ended", `,"period":{"end":"2026-03-04T09:49:00Z"}`)
	require.NoError(t, err, issuesOf(err))
	moves := b.loaded(b.theEpisode()).core.Moves
	require.Len(t, moves, 2)
	require.Equal(t, "Ward 3", moves[0].Location)
	require.Equal(t, time.Date(2026, 3, 4, 9, 48, 0, 0, time.UTC), moves[0].Found)
	require.True(t, moves[1].Ended)
	b.mustReplay(b.theEpisode())
}
