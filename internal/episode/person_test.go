package episode

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
)

const patientURN = "urn:uuid:00000000-0000-4000-8000-000000000003"

// linkedTo gives the message with a link of its patient to the record of another number.
func linkedTo(body []byte, kind, number string) []byte {
	return []byte(strings.Replace(string(body), `"name":[{"family":"Okonedo"`, fmt.Sprintf(
		`"link":[{"other":{"identifier":{"system":%q,"value":%q}},"type":%q}],"name":[{"family":"Okonedo"`, patients, number, kind), 1))
}

func (b *bench) sendBody(body []byte) MessageAnswer {
	b.t.Helper()
	a, err := b.Message(b.t.Context(), Message{Body: body, ContentType: fhir.ContentType, Door: DoorJetStream})
	require.NoError(b.t, err, issuesOf(err))
	return a
}

// movedTo is a patient-moved event of the patient with a number.
func movedTo(message, number string) []byte {
	return fmt.Appendf(nil, `{"resourceType":"Bundle","type":"message","timestamp":"2026-03-04T09:49:00Z","entry":[
{"fullUrl":"urn:uuid:00000000-0000-4000-8000-000000000001","resource":{"resourceType":"MessageHeader","id":%q,"eventCoding":{"system":%q,"code":"patient-moved"},
"source":{"endpoint":%q},"focus":[{"reference":"urn:uuid:00000000-0000-4000-8000-000000000002"}]}},
{"fullUrl":"urn:uuid:00000000-0000-4000-8000-000000000002","resource":{"resourceType":"Encounter","identifier":[{"system":"urn:visits","value":"v-1"}],"status":"in-progress",
"class":{"system":"http://terminology.hl7.org/CodeSystem/v3-ActCode","code":"IMP"},"subject":{"reference":%q}}},
{"fullUrl":%q,"resource":{"resourceType":"Patient","identifier":[{"system":%q,"value":%q}],"name":[{"family":"Okonedo","given":["Marit"]}]}}]}`,
		message, fhir.SystemLocal, endpoint, patientURN, patientURN, patients, number)
}

func (b *bench) record(number string) *tree.Node {
	b.t.Helper()
	id, known, err := b.Store.Identity(b.t.Context(), "Patient", patients, number)
	require.NoError(b.t, err)
	require.True(b.t, known, number)
	r, err := b.Store.Read(b.t.Context(), "Patient", id)
	require.NoError(b.t, err)
	for _, i := range sharedOutgoing().Resource(r.Body) {
		require.False(b.t, outcome.HasErrors([]outcome.Issue{i}), "%s", i)
	}
	doc, _ := tree.Parse(r.Body)
	return doc.Root
}

func lookOf(number string) finding {
	return finding{patient: number, code: "access-site-bleeding", value: dry()}
}

// TestMergedPatient: R4 patient.html#links: the record that is replaced is no longer active
// and says by which. Findings under either number reach the plan, which stays where it was:
// nothing is moved by the merge itself, and nobody is asked what is certain.
func TestMergedPatient(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	b.wait(time.Minute)
	b.sendBody(linkedTo(movedTo("m-merge", "9001"), "replaces", "4711"))
	old, now := b.record("4711"), b.record("9001")
	require.NotEqual(t, old.Str("id"), now.Str("id"))
	require.Equal(t, "false", old.Get("active").Text)
	require.Equal(t, "Patient/"+now.Str("id"), old.Get("link").At(0).Get("other").Str("reference"))
	require.Equal(t, "replaced-by", old.Get("link").At(0).Str("type"))
	require.Equal(t, "Okonedo", old.Get("name").At(0).Str("family"), "all else stays")
	require.Equal(t, "Patient/"+old.Str("id"), now.Get("link").At(0).Get("other").Str("reference"))

	for _, number := range []string{"4711", "9001"} {
		r, err := b.observe(lookOf(number))
		require.NoError(t, err, issuesOf(err))
		require.Equal(t, b.theEpisode(), r.Resource.Episode, number)
	}
	l := b.loaded(b.theEpisode())
	require.Len(t, l.core.Findings, 2)
	require.Equal(t, "Patient/"+old.Str("id"), l.state.Refs.Subject)
	require.Empty(t, b.tasks("clinician-review", ""))
	b.mustReplay(l.id)
}

// TestMergedPatientCorrectsTheEvent: the same procedure under the number that replaced the
// other moves the plan to that record, and is no other patient: nothing is put in doubt.
// Without a link it is, as ever.
func TestMergedPatientCorrectsTheEvent(t *testing.T) {
	for name, tt := range map[string]struct {
		link    string
		doubted bool
	}{"linked": {"replaces", false}, "not linked": {"seealso", true}} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t, nil)
			b.mustSend(newEvent())
			again := newEvent()
			again.message, again.patient, again.timestamp = "m2", "9001", again.timestamp.Add(time.Minute)
			b.sendBody(linkedTo(again.body(), tt.link, "4711"))
			l := b.loaded(b.theEpisode())
			require.Equal(t, "Patient/"+b.record("9001").Str("id"), l.state.Refs.Subject)
			for _, kind := range []string{"CarePlan", "Task"} {
				for _, r := range b.all(kind) {
					require.Equal(t, []string{"Patient/" + b.record("9001").Str("id")}, Patients(r), "%s %s", kind, r.Body)
				}
			}
			require.Equal(t, tt.doubted, len(b.tasks("confirm-band-state", "ready")) > 0)
			r, err := b.observe(lookOf("4711"))
			require.NoError(t, err, issuesOf(err))
			require.Equal(t, !tt.doubted, r.Resource.Episode == l.id, "a look under the old number")
			b.mustReplay(l.id)
		})
	}
}

// TestNumberThatNobodyKnew: a number that was replaced before its patient came here is known
// as the record that replaced it.
func TestNumberThatNobodyKnew(t *testing.T) {
	b := newBench(t, nil)
	b.sendBody(linkedTo(newEvent().body(), "replaces", "0815"))
	require.Equal(t, b.record("4711").Str("id"), b.record("0815").Str("id"))
	r, err := b.observe(lookOf("0815"))
	require.NoError(t, err, issuesOf(err))
	require.Equal(t, b.theEpisode(), r.Resource.Episode)
	require.Len(t, b.all("Patient"), 1)
}

// TestFindingOfTheOldNumberIsAdopted: a look that was charted under the old number before
// the event came under the new one belongs to its plan.
func TestFindingOfTheOldNumberIsAdopted(t *testing.T) {
	b := newBench(t, nil)
	r, err := b.observe(lookOf("4711"))
	require.NoError(t, err, issuesOf(err))
	require.Empty(t, r.Resource.Episode)
	e := newEvent()
	e.patient = "9001"
	b.sendBody(linkedTo(e.body(), "replaces", "4711"))
	now, err := b.Store.Read(t.Context(), "Observation", r.Resource.ID)
	require.NoError(t, err)
	require.Equal(t, b.theEpisode(), now.Episode)
	require.Contains(t, string(now.Body), b.record("4711").Str("id"), "it stays with the record under which it was charted")
}

// TestMergeOfTwoPlans: each record has a band, one on either wrist: with the merge a finding
// of a site needs its side, as with two wrists of one record; one of the whole patient
// belongs to both.
func TestMergeOfTwoPlans(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	left := newEvent()
	left.message, left.procedure, left.patient = "m2", "P-2", "9001"
	left.site = `[{"coding":[{"system":"http://snomed.info/sct","code":"368504007"}]}]`
	b.sendBody(linkedTo(left.body(), "replaces", "4711"))
	_, err := b.observe(lookOf("4711"))
	require.Equal(t, outcome.CodeBusinessRule, outcome.KindOf(err))
	f := lookOf("4711")
	f.more = `"bodySite":{"coding":[{"system":"http://snomed.info/sct","code":"7771000"}]}`
	r, err := b.observe(f)
	require.NoError(t, err, issuesOf(err))
	require.Equal(t, b.ids.episode(fhir.Identifier{System: procedures, Value: "P-2"}, 1), r.Resource.Episode)
	b.mustObserve("general-condition", coded(fhir.SystemLocal, "faint"))
	for _, procedure := range []string{"P-1", "P-2"} {
		l := b.loaded(b.ids.episode(fhir.Identifier{System: procedures, Value: procedure}, 1))
		require.Contains(t, fmt.Sprint(l.core.Findings), "general-condition", procedure)
	}
}

// TestMergeOfTwoPlansOnOneWrist: the second plan on a wrist is asked about though the first
// stands under another record of the person.
func TestMergeOfTwoPlansOnOneWrist(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	second := newEvent()
	second.message, second.procedure, second.patient = "m2", "P-2", "9001"
	b.sendBody(linkedTo(second.body(), "replaces", "4711"))
	l := b.loaded(b.ids.episode(fhir.Identifier{System: procedures, Value: "P-2"}, 1))
	require.Equal(t, b.theEpisode(), l.core.Events[0].OtherPlan)
	require.NotEmpty(t, b.tasks("clinician-review", "ready"))
}

// TestReplacedRecordStaysReplaced: a sender that has not heard of the merge brings nothing
// back; its next procedure stands under the record that replaced the other, and it is told.
func TestReplacedRecordStaysReplaced(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	b.sendBody(linkedTo(movedTo("m-merge", "9001"), "replaces", "4711"))
	late := newEvent()
	late.message, late.procedure, late.timestamp = "m3", "P-3", sheathOut().Add(9*time.Minute)
	late.site = `[{"coding":[{"system":"http://snomed.info/sct","code":"368504007"}]}]`
	a := b.sendBody(late.body())
	require.Contains(t, fmt.Sprint(a.Warnings), "was replaced by another one")
	require.Equal(t, "false", b.record("4711").Get("active").Text)
	l := b.loaded(b.ids.episode(fhir.Identifier{System: procedures, Value: "P-3"}, 1))
	require.Equal(t, "Patient/"+b.record("9001").Str("id"), l.state.Refs.Subject)
}

// TestIdentityInDoubt: nothing is joined on a guess: a patient whose two numbers belong to
// two records here, without a link, is kept under the first, and a clinician is asked.
func TestIdentityInDoubt(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	other := newEvent()
	other.message, other.procedure, other.patient = "m2", "P-2", "9001"
	b.mustSend(other)
	require.Empty(t, b.tasks("clinician-review", "ready"), "two patients")
	both := newEvent()
	both.message, both.procedure = "m3", "P-3"
	both.site = `[{"coding":[{"system":"http://snomed.info/sct","code":"368504007"}]}]`
	body := strings.Replace(string(both.body()), `"value":"4711"}]`, fmt.Sprintf(`"value":"4711"},{"system":%q,"value":"9001"}]`, patients), 1)
	a := b.sendBody([]byte(body))
	require.Contains(t, fmt.Sprint(a.Warnings), "belong to two records here")
	reviews := b.tasks("clinician-review", "ready")
	require.Len(t, reviews, 1)
	require.Contains(t, string(reviews[0].Body), "identity of the patient is in doubt")
	require.NotEqual(t, b.record("4711").Str("id"), b.record("9001").Str("id"))
	r, err := b.observe(lookOf("9001"))
	require.NoError(t, err, issuesOf(err))
	require.Equal(t, b.ids.episode(fhir.Identifier{System: procedures, Value: "P-2"}, 1), r.Resource.Episode)
}

// TestMergeStaysInItsUnits: a sender can't join a record that only another unit sees: it is
// left as it is, and a clinician of the sender's plan is asked.
func TestMergeStaysInItsUnits(t *testing.T) {
	b := newBench(t, nil)
	located := func(e event, unit string) []byte {
		return []byte(strings.Replace(string(e.body()), `"performedPeriod"`, `"location":{"identifier":{"system":"urn:units","value":"`+unit+`"}},"performedPeriod"`, 1))
	}
	b.sendBody(located(newEvent(), "lab-b"))
	e := newEvent()
	e.message, e.procedure, e.patient = "m2", "P-2", "9001"
	_, err := b.Message(t.Context(), Message{
		Body: linkedTo(located(e, "lab-a"), "replaces", "4711"), ContentType: fhir.ContentType, Door: DoorHTTP,
		By: Client{ID: "a", Units: UnitsOf("urn:units|lab-a")},
	})
	require.NoError(t, err, issuesOf(err))
	require.Nil(t, b.record("4711").Get("active"))
	require.Nil(t, b.record("4711").Get("link"))
	require.Empty(t, b.record("9001").Get("link").At(0).Get("other").Str("reference"))
	reviews := b.tasks("clinician-review", "ready")
	require.Len(t, reviews, 1)
	require.Equal(t, "urn:units|lab-a", reviews[0].Unit)
	require.Contains(t, string(reviews[0].Body), "not of this unit")
	records, err := b.person(t.Context(), "Patient/"+b.record("4711").Str("id"))
	require.NoError(t, err)
	require.Len(t, records, 1)
}

// TestCircleOfLinks: links that lead in a circle end the search, and replace nobody.
func TestCircleOfLinks(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	b.sendBody(linkedTo(movedTo("m-1", "9001"), "replaces", "4711"))
	b.sendBody([]byte(strings.Replace(string(linkedTo(movedTo("m-2", "9001"), "replaced-by", "4711")), "09:49:00Z", "09:50:00Z", 1)))
	old := "Patient/" + b.record("4711").Str("id")
	records, err := b.person(t.Context(), old)
	require.NoError(t, err)
	require.Len(t, records, 2)
	stands, err := b.survivor(t.Context(), old)
	require.NoError(t, err)
	require.Equal(t, old, stands)
}
