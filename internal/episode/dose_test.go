package episode

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/store"
	"fhirsvc/internal/workflow"
)

// dose is a MedicationAdministration about the patient 4711.
func dose(status, atc string, at time.Time) []byte {
	return fmt.Appendf(nil, `{"resourceType":"MedicationAdministration","status":%q,
		"medicationCodeableConcept":{"coding":[{"system":%q,"code":%q,"display":"heparin"}]},
		"subject":{"identifier":{"system":%q,"value":"4711"}},"effectiveDateTime":%q,
		"performer":[{"actor":{"display":"Nurse Abiola"}}]}`, status, fhir.SystemATC, atc, patients, at.Format(time.RFC3339))
}

func (b *bench) give(body []byte) EntryResult {
	b.t.Helper()
	r, err := b.chartOne(Entry{Method: "POST", Type: "MedicationAdministration", Body: body})
	require.NoError(b.t, err, issuesOf(err))
	return r
}

func (b *bench) findings(code workflow.FindingCode) int {
	b.t.Helper()
	l, n := b.loaded(b.theEpisode()), 0
	for _, f := range l.core.Findings {
		if f.Code == code && l.has(f.ID) {
			n++
		}
	}
	return n
}

// An anticoagulant on the way is a finding, is kept as it was sent, and is found.
func TestAnticoagulantOnTheWay(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	r := b.give(dose("completed", "B01AB01", b.Now()))
	require.True(t, r.Created)
	require.Empty(t, r.Warnings)
	require.Equal(t, b.theEpisode(), r.Resource.Episode)
	require.Contains(t, string(r.Resource.Body), `"display":"heparin"`)
	require.Equal(t, 1, b.findings(workflow.Anticoagulant))
	l := b.loaded(b.theEpisode())
	require.Equal(t, "heparin", l.core.Findings[len(l.core.Findings)-1].Text)
	require.True(t, l.dose(r.Resource.ID))
	patient := strings.TrimPrefix(l.state.Refs.Subject, "Patient/")
	for _, c := range []search.Condition{
		{Param: "patient", Kind: search.Reference, Any: []search.Term{{System: "Patient", Code: patient}}},
		{Param: "status", Kind: search.Token, Any: []search.Term{{Code: "completed"}}},
		{Param: "code", Kind: search.Token, Any: []search.Term{{System: fhir.SystemATC, SystemGiven: true, Code: "B01AB01"}}},
	} {
		page, err := b.Store.Search(t.Context(), search.Query{Type: "MedicationAdministration", Count: 5, All: []search.Condition{c}})
		require.NoError(t, err)
		require.Len(t, page.Matches, 1, c.Param)
	}
	require.NotEmpty(t, b.tasks("clinician-review", "ready"), "a prescriber is asked")
	b.mustReplay(b.theEpisode())
}

func TestDosesThatCountForNothing(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	for _, body := range [][]byte{
		dose("not-done", "B01AB01", b.Now()), dose("entered-in-error", "B01AB01", b.Now()), dose("completed", "N02BE01", b.Now()),
	} {
		r := b.give(body)
		require.True(t, r.Created, "it is kept")
		require.Equal(t, b.theEpisode(), r.Resource.Episode)
		require.NotContains(t, string(r.Resource.Body), "unplaced")
	}
	require.Zero(t, b.findings(workflow.Anticoagulant))
	require.Empty(t, b.tasks("clinician-review", ""))
}

func TestDoseIsCorrectedAndWithdrawn(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	r := b.give(dose("in-progress", "B01AB01", b.Now()))
	b.wait(time.Minute)
	_, err := b.put(r.Resource, changed(t, r.Resource, `"in-progress"`, `"completed"`), `W/"1"`)
	require.NoError(t, err, issuesOf(err))
	require.Equal(t, 1, b.findings(workflow.Anticoagulant))
	now, err := b.Store.Read(t.Context(), "MedicationAdministration", r.Resource.ID)
	require.NoError(t, err)
	_, err = b.put(now, changed(t, now, `"completed"`, `"entered-in-error"`), "")
	require.NoError(t, err, issuesOf(err))
	require.Zero(t, b.findings(workflow.Anticoagulant), "it was never given")
	history, err := b.Store.History(t.Context(), "MedicationAdministration", r.Resource.ID)
	require.NoError(t, err)
	require.Len(t, history, 3, "the original is kept")
	b.mustReplay(b.theEpisode())
}

// What is given before the event is known waits for it, like any finding.
func TestDoseIsAdopted(t *testing.T) {
	b := newBench(t, nil)
	early := b.give(dose("completed", "B01AE06", b.Now()))
	require.Contains(t, string(early.Resource.Body), `"code":"unplaced"`)
	b.wait(20 * time.Minute)
	b.mustSend(newEvent())
	require.Equal(t, 1, b.findings(workflow.Anticoagulant))
	now, err := b.Store.Read(t.Context(), "MedicationAdministration", early.Resource.ID)
	require.NoError(t, err)
	require.NotContains(t, string(now.Body), "unplaced")
	b.mustReplay(b.theEpisode())
}

func TestDoseWithoutATimeIsRefused(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	body := strings.Replace(string(dose("completed", "B01AB01", b.Now())), b.Now().Format(time.RFC3339), "2026-03-04", 1)
	_, err := b.chartOne(Entry{Method: "POST", Type: "MedicationAdministration", Body: []byte(body)})
	require.Equal(t, outcome.CodeValue, outcome.KindOf(err))
	require.Contains(t, issuesOf(err), `"expression":["MedicationAdministration.effective"]`)
	require.Empty(t, b.all("MedicationAdministration"))
}

// Doses, birth date and titration of the event reach the core.
func TestEventTellsDrugsAgeAndTitration(t *testing.T) {
	b := newBench(t, nil)
	e := newEvent()
	e.noVolume = true
	const about = `"subject":{"reference":"urn:uuid:00000000-0000-4000-8000-000000000003"}`
	e.beside = []string{
		fmt.Sprintf(`{"resource":{"resourceType":"MedicationAdministration","status":"completed",
			"medicationCodeableConcept":{"coding":[{"system":%q,"code":"B01AC17"}]},%s,"effectiveDateTime":"2026-03-04T09:20:00Z"}}`, fhir.SystemATC, about),
		fmt.Sprintf(`{"resource":{"resourceType":"Observation","status":"final","code":{"coding":[{"system":%q,"code":"band-air-volume"}]},%s,
			"effectiveDateTime":"2026-03-04T10:40:00+01:00",%s,"component":[{"code":{"coding":[{"system":%q,"code":"titrated"}]},"valueBoolean":true}]}}`,
			fhir.SystemLocal, about, millilitres("12"), fhir.SystemLocal),
	}
	body := strings.Replace(string(e.body()), `"name":[{"family":"Okonedo"`, `"birthDate":"1950-02","name":[{"family":"Okonedo"`, 1)
	_, err := b.Message(t.Context(), Message{Body: []byte(body), ContentType: fhir.ContentType, Door: DoorJetStream})
	require.NoError(t, err, issuesOf(err))
	event := b.loaded(b.theEpisode()).core.Events[0]
	require.Equal(t, []workflow.Drug{workflow.GlycoproteinInhibitor}, event.Drugs)
	require.NotNil(t, event.Age)
	require.Equal(t, 76, *event.Age)
	require.NotNil(t, event.Titrated)
	require.True(t, *event.Titrated)
	require.Len(t, b.all("MedicationAdministration"), 1)
	told := b.all("MedicationAdministration")[0]
	_, err = b.put(told, changed(t, told, `"completed"`, `"entered-in-error"`), "")
	require.Equal(t, outcome.CodeBusinessRule, outcome.KindOf(err), "the event is corrected instead")
	b.mustReplay(b.theEpisode())
}

// record is what a DetectedIssue and a Communication have in common here.
type record struct {
	Status     string
	Implicated []fhir.Reference
	About      []fhir.Reference
	Recipient  []fhir.Reference
	Received   string
	Note       []fhir.Annotation
}

func readRecord(t *testing.T, r store.Resource) (x record) {
	t.Helper()
	require.NoError(t, json.Unmarshal(r.Body, &x))
	return x
}

// Two entries that may be one act are a DetectedIssue, open until a count settles it.
func TestContradictionIsAnIssue(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	one := b.mustObserve("band-air-removed", millilitres("3"))
	b.wait(time.Minute)
	two := b.mustObserve("band-air-removed", millilitres("3"))
	open := b.all("DetectedIssue")
	require.Len(t, open, 1)
	x := readRecord(t, open[0])
	require.Equal(t, "preliminary", x.Status)
	require.Contains(t, x.Implicated, fhir.Reference{Reference: "Observation/" + one.Resource.ID})
	require.Contains(t, x.Implicated, fhir.Reference{Reference: "Observation/" + two.Resource.ID})
	b.wait(2 * time.Minute)
	b.mustObserve("band-air-volume", millilitres("9"))
	settled := b.all("DetectedIssue")
	require.Len(t, settled, 1, "the same, settled")
	require.Equal(t, open[0].ID, settled[0].ID)
	require.Equal(t, "final", readRecord(t, settled[0]).Status)
	require.EqualValues(t, 2, settled[0].Version)
	b.mustReplay(b.theEpisode())
}

// A call is a Communication until somebody takes the Task.
func TestCallIsACommunication(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	b.wait(50 * time.Minute)
	calls := b.all("Communication")
	require.NotEmpty(t, calls)
	x := readRecord(t, calls[0])
	require.Equal(t, "in-progress", x.Status)
	require.Equal(t, []fhir.Reference{{Type: "PractitionerRole", Display: "nurse in charge"}}, x.Recipient)
	task, err := b.Store.Read(t.Context(), "Task", strings.TrimPrefix(x.About[0].Reference, "Task/"))
	require.NoError(t, err)
	status := `"status":"` + readTask(t, task).Status + `"`
	body := changed(t, task, status, `"status":"in-progress","owner":{"reference":"Practitioner/7","display":"Ine Falk"}`)
	_, err = b.put(task, body, fmt.Sprintf(`W/"%d"`, task.Version))
	require.NoError(t, err, issuesOf(err))
	answered, err := b.Store.Read(t.Context(), "Communication", calls[0].ID)
	require.NoError(t, err)
	x = readRecord(t, answered)
	require.Equal(t, "completed", x.Status)
	require.Equal(t, fhir.Instant(b.Now()), x.Received)
	require.Equal(t, "Practitioner/7", x.Note[0].AuthorReference.Reference)
	b.mustReplay(b.theEpisode())
}
