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
	"fhirsvc/internal/store"
)

// filled is a form about the patient 4711.
type filled struct {
	kind     string // of the Task
	status   string
	authored time.Time
	items    []string // JSON of the root items
	more     string   // more JSON members
}

func (f filled) body() []byte {
	if f.status == "" {
		f.status = "completed"
	}
	return fmt.Appendf(nil, `{"resourceType":"QuestionnaireResponse","questionnaire":"https://fhirsvc.example/fhir/Questionnaire/%s|%s","status":%q,
"subject":{"identifier":{"system":%q,"value":"4711"}},"authored":%q,"author":{"type":"Practitioner","display":"Nurse Abiola"},"item":[%s]%s}`,
		f.kind, fhir.Published, f.status, patients, f.authored.Format(time.RFC3339), strings.Join(f.items, ","), f.more)
}

// answered is a question of a finding with its answer, within its group.
func answered(code, answer string) string {
	return fmt.Sprintf(`{"linkId":"%[1]s.group","item":[{"linkId":%[1]q,"answer":[{%[2]s}]}]}`, code, answer)
}

func chosen(system, code string) string {
	return fmt.Sprintf(`"valueCoding":{"system":%q,"code":%q}`, system, code)
}

func (b *bench) fill(f filled) (EntryResult, error) {
	if f.authored.IsZero() {
		f.authored = b.Now()
	}
	return b.chartOne(Entry{Method: "POST", Type: response, Body: f.body()})
}

func (b *bench) mustFill(f filled) EntryResult {
	b.t.Helper()
	r, err := b.fill(f)
	require.NoError(b.t, err, issuesOf(err))
	return r
}

// refill changes a form that is stored.
func (b *bench) refill(id string, f filled) (EntryResult, error) {
	f.more += fmt.Sprintf(`,"id":%q`, id)
	return b.chartOne(Entry{Method: "PUT", Type: response, ID: id, Body: f.body()})
}

// derived gives the Observations of a form, by code.
func (b *bench) derived(id string) map[string]*tree.Node {
	b.t.Helper()
	found := map[string]*tree.Node{}
	for _, r := range b.all("Observation") {
		if formOf(r.Body) == response+"/"+id {
			doc, _ := tree.Parse(r.Body)
			found[doc.Root.Get("code").Get("coding").At(0).Str("code")] = doc.Root
		}
	}
	return found
}

// TestFormIsCharted: a form goes the way of posted Observations, in one changeset: they are
// found at the time of the form by its author, count for the Tasks, and are derived from it.
func TestFormIsCharted(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	before := len(b.all("Provenance"))
	found := b.Now().Add(-2 * time.Minute)
	r := b.mustFill(filled{kind: "arrival-check", authored: found, items: []string{
		answered("access-site-bleeding", chosen(fhir.SystemDICOM, "122033")),
		answered("band-air-volume", `"valueDecimal":12.0`),
		`{"linkId":"hand-check.group","item":[{"linkId":"hand-check","answer":[{` + chosen(fhir.SystemSNOMED, "263654008") +
			`,"item":[{"linkId":"hand-check.hand-sensation","answer":[{` + chosen(fhir.SystemLocal, "tingling") + `}]},{"linkId":"hand-check.44963-7","answer":[{"valueDecimal":4}]}]}]}]}`,
		`{"linkId":"access-site-haematoma.group","item":[{"linkId":"access-site-haematoma.missing","answer":[{` + chosen(fhir.SystemLocal, "could-not-assess") +
			`}]},{"linkId":"access-site-haematoma.note","answer":[{"valueString":"under the dressing"}]}]}`,
	}})
	require.True(t, r.Created)
	require.Empty(t, r.Warnings)
	require.Len(t, b.all("Provenance"), before+1, "one changeset")
	provenance := ""
	for _, p := range b.all("Provenance") {
		provenance += string(p.Body)
	}
	require.Contains(t, provenance, `"entity":[{"role":"source","what":{"reference":"QuestionnaireResponse/`+r.Resource.ID+`/_history/1"}}]`)

	made := b.derived(r.Resource.ID)
	require.Len(t, made, 4)
	for code, o := range made {
		require.Equal(t, "final", o.Str("status"), code)
		require.Equal(t, found.Format(time.RFC3339), o.Str("effectiveDateTime"))
		require.Equal(t, "Nurse Abiola", o.Get("performer").At(0).Str("display"))
	}
	require.Equal(t, "12.0", made["band-air-volume"].Get("valueQuantity").Get("value").Text, "its precision is kept")
	require.Equal(t, "could-not-assess", made["access-site-haematoma"].Get("dataAbsentReason").Get("coding").At(0).Str("code"))
	l := b.loaded(b.theEpisode())
	require.Equal(t, l.id, r.Resource.Episode)
	require.Len(t, l.core.Findings, 4)
	for _, f := range l.core.Findings {
		if f.Code == "hand-check" {
			require.Len(t, f.Signs, 2)
		}
	}
	require.Len(t, b.tasks("arrival-check", "completed"), 1)
	b.mustReplay(l.id)
}

// TestFormRepeated: R4 http.html#ccreate and our rule: the same identifier is the same form.
func TestFormRepeated(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	f := filled{
		kind: "site-check", items: []string{answered("access-site-bleeding", chosen(fhir.SystemDICOM, "122033"))},
		more: `,"identifier":{"system":"urn:forms","value":"f-1"}`,
	}
	first := b.mustFill(f)
	again := b.mustFill(f)
	require.False(t, again.Created)
	require.Equal(t, first.Resource.ID, again.Resource.ID)
	require.EqualValues(t, 1, again.Resource.Version)
	require.Len(t, b.loaded(b.theEpisode()).core.Findings, 1)
}

// TestFormCorrected: what is answered otherwise is corrected, what is new is charted, what is
// left out is withdrawn, and what is the same stays as it is; all at the time of first
// filling in, though "authored" tells the time of the correction.
func TestFormCorrected(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	found := b.Now()
	f := filled{kind: "site-check", authored: found, items: []string{
		answered("access-site-bleeding", chosen(fhir.SystemDICOM, "122035")),
		answered("hand-check", chosen(fhir.SystemSNOMED, "17621005")),
		answered("access-site-haematoma", chosen(fhir.SystemSNOMED, "2667000")),
	}}
	id := b.mustFill(f).Resource.ID
	require.Len(t, b.tasks("restore-compression", "ready"), 1)
	b.wait(5 * time.Minute)

	f.status, f.authored = "amended", b.Now()
	f.items = []string{
		answered("access-site-bleeding", chosen(fhir.SystemDICOM, "122033")),
		answered("hand-check", chosen(fhir.SystemSNOMED, "17621005")),
		answered("72514-3", `"valueInteger":3`),
	}
	r, err := b.refill(id, f)
	require.NoError(t, err, issuesOf(err))
	require.False(t, r.Created)
	require.EqualValues(t, 2, r.Resource.Version)
	made := b.derived(id)
	require.Equal(t, "corrected", made["access-site-bleeding"].Str("status"))
	require.Equal(t, "final", made["hand-check"].Str("status"))
	require.Equal(t, "1", made["hand-check"].Get("meta").Str("versionId"))
	require.Equal(t, "entered-in-error", made["access-site-haematoma"].Str("status"))
	require.Equal(t, "final", made["72514-3"].Str("status"))
	for code, o := range made {
		require.Equal(t, found.Format(time.RFC3339), o.Str("effectiveDateTime"), code)
	}
	require.Empty(t, b.tasks("restore-compression", "ready"), "there was no bleed")
	require.Zero(t, b.loaded(b.theEpisode()).core.Plan.Summary.Bleeds)

	f.status = "entered-in-error"
	_, err = b.refill(id, f)
	require.NoError(t, err, issuesOf(err))
	for code, o := range b.derived(id) {
		require.Equal(t, "entered-in-error", o.Str("status"), code)
	}
	l := b.loaded(b.theEpisode())
	require.Zero(t, l.core.Plan.Summary.LastLook)
	b.mustReplay(l.id)
}

// TestFormNotFinished: SDC extracts completed forms alone; one that is filled in bit by bit
// charts when it is done.
func TestFormNotFinished(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	f := filled{kind: "site-check", status: "in-progress", items: []string{answered("access-site-bleeding", chosen(fhir.SystemDICOM, "122033"))}}
	id := b.mustFill(f).Resource.ID
	require.Empty(t, b.derived(id))
	b.wait(3 * time.Minute)
	f.status, f.authored = "completed", b.Now()
	_, err := b.refill(id, f)
	require.NoError(t, err, issuesOf(err))
	require.Equal(t, f.authored.Format(time.RFC3339), b.derived(id)["access-site-bleeding"].Str("effectiveDateTime"))
}

// TestFormSaysWhenAndWhere: an item says when it was found, another which wrist.
func TestFormSaysWhenAndWhere(t *testing.T) {
	b := newBench(t, nil)
	e := newEvent()
	e.site = `[{"coding":[{"system":"http://snomed.info/sct","code":"368503001"}]},{"coding":[{"system":"http://snomed.info/sct","code":"368504007"}]}]`
	b.mustSend(e)
	look := answered("access-site-bleeding", chosen(fhir.SystemDICOM, "122035"))
	_, err := b.fill(filled{kind: "site-check", items: []string{look}})
	require.Equal(t, outcome.CodeBusinessRule, outcome.KindOf(err))
	require.Contains(t, issuesOf(err), `"QuestionnaireResponse.item[0].item[0]"`)
	require.Empty(t, b.all(response), "nothing of it is stored")

	found := b.Now().Add(-4 * time.Minute).Format(time.RFC3339)
	r := b.mustFill(filled{kind: "site-check", items: []string{
		`{"linkId":"found","answer":[{"valueDateTime":"` + found + `"}]}`, `{"linkId":"side","answer":[{` + chosen(fhir.SystemSNOMED, "7771000") + `}]}`, look,
	}})
	left := b.ids.episode(fhir.Identifier{System: procedures, Value: "P-1"}, 2)
	require.Equal(t, left, r.Resource.Episode)
	require.Equal(t, found, b.derived(r.Resource.ID)["access-site-bleeding"].Str("effectiveDateTime"))
	require.Equal(t, 1, b.loaded(left).core.Plan.Summary.Bleeds)
	require.Zero(t, b.loaded(b.theEpisode()).core.Plan.Summary.Bleeds)
}

// TestFormRefused: each fault is told at the item or answer that has it, and nothing is
// stored.
func TestFormRefused(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	for name, tt := range map[string]struct {
		items []string
		code  outcome.Code
		at    string
	}{
		"an item that nobody asks": {[]string{`{"linkId":"colour","answer":[{"valueString":"red"}]}`}, outcome.CodeInvalid, "item[0].linkId"},
		"another type":             {[]string{answered("access-site-bleeding", `"valueString":"dry"`)}, outcome.CodeInvalid, "item[0].item[0].answer[0].value"},
		"no option":                {[]string{answered("access-site-bleeding", chosen(fhir.SystemDICOM, "122036"))}, outcome.CodeCodeInvalid, "item[0].item[0].answer[0].value"},
		"below nothing":            {[]string{answered("band-air-volume", `"valueDecimal":-1`)}, outcome.CodeValue, "item[0].item[0].answer[0].value"},
		"absurd to the core":       {[]string{answered("band-air-volume", `"valueDecimal":300`)}, outcome.CodeValue, "item[0].item[0]"},
		"in the future":            {[]string{`{"linkId":"found","answer":[{"valueDateTime":"2027-01-01T00:00:00Z"}]}`, answered("band-air-volume", `"valueDecimal":12`)}, outcome.CodeValue, "item[1].item[0]"},
	} {
		_, err := b.fill(filled{kind: "arrival-check", items: tt.items})
		require.Error(t, err, name)
		require.Contains(t, issuesOf(err), `"QuestionnaireResponse.`+tt.at+`"`, name)
		require.Contains(t, issuesOf(err), `"code":"`+string(tt.code)+`"`, name)
	}
	_, err := b.fill(filled{kind: "another-form", items: []string{answered("band-air-volume", `"valueDecimal":12`)}})
	require.Contains(t, issuesOf(err), "QuestionnaireResponse.questionnaire")
	require.Empty(t, b.all(response))
	kept, err := b.Store.Quarantined(t.Context())
	require.NoError(t, err)
	require.Empty(t, kept)
}

// TestFormBeforeItsEvent: a form of a patient whose event has not come waits with its
// Observations, and follows them into the plan.
func TestFormBeforeItsEvent(t *testing.T) {
	b := newBench(t, nil)
	r := b.mustFill(filled{kind: "site-check", items: []string{answered("access-site-bleeding", chosen(fhir.SystemDICOM, "122033"))}})
	require.Empty(t, r.Resource.Episode)
	require.Contains(t, fmt.Sprint(r.Warnings), "no plan fits")
	b.mustSend(newEvent())
	now, err := b.Store.Read(t.Context(), response, r.Resource.ID)
	require.NoError(t, err)
	require.Equal(t, b.theEpisode(), now.Episode)
	require.Len(t, b.loaded(b.theEpisode()).core.Findings, 1)
}

// TestFormAndTaskInOneTransaction: a form and the claim of its Task are one input.
func TestFormAndTaskInOneTransaction(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	check := b.tasks("arrival-check", "ready")[0]
	f := filled{kind: "arrival-check", authored: b.Now(), items: []string{answered("access-site-bleeding", chosen(fhir.SystemDICOM, "122033"))}}
	results, err := b.Chart(t.Context(), nurse(), []Entry{
		{Method: "POST", Type: response, Body: f.body(), Path: "Bundle.entry[0].resource", FullURL: "urn:uuid:00000000-0000-4000-8000-0000000000f1"},
		{Method: "PUT", Type: "Task", ID: check.ID, Body: changed(t, check, `"status":"ready"`, `"status":"in-progress"`), Path: "Bundle.entry[1].resource"},
	})
	require.NoError(t, err, issuesOf(err))
	require.Len(t, results, 2)
	require.Equal(t, response, results[0].Resource.Type)
	require.Contains(t, string(results[1].Resource.Body), `"status":"in-progress"`)
	f.items = []string{answered("access-site-bleeding", `"valueString":"dry"`)}
	_, err = b.Chart(t.Context(), nurse(), []Entry{{Method: "POST", Type: response, Body: f.body(), Path: "Bundle.entry[0].resource"}})
	require.Contains(t, issuesOf(err), "Bundle.entry[0].resource.item[0].item[0].answer[0].value")
}

// TestFormMovesWithItsUnit: when an event moves a plan to another unit, its forms go along.
func TestFormMovesWithItsUnit(t *testing.T) {
	b := newBench(t, nil)
	e := newEvent()
	b.mustSend(e)
	id := b.mustFill(filled{kind: "site-check", items: []string{answered("access-site-bleeding", chosen(fhir.SystemDICOM, "122033"))}}).Resource.ID
	all, err := b.withForms(t.Context(), []store.Resource{b.all("Observation")[0]})
	require.NoError(t, err)
	require.NotEmpty(t, all)
	l := b.loaded(b.theEpisode())
	require.NoError(t, b.leave(t.Context(), l))
	names := map[string]bool{}
	for _, r := range l.leaving {
		names[r.Type+"/"+r.ID] = true
	}
	require.True(t, names[response+"/"+id])
}
