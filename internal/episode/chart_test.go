package episode

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/workflow"
)

func TestFindingCompletesItsTask(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	r := b.mustObserve("access-site-bleeding", dry())
	require.True(t, r.Created)
	require.Empty(t, r.Warnings)
	require.Equal(t, b.theEpisode(), r.Resource.Episode)
	require.Equal(t, b.Now(), r.Resource.Updated)
	require.Empty(t, b.tasks("site-check", "completed"), "the hand is to be looked at, too")
	hand := b.mustObserve("hand-check", coded(fhir.SystemSNOMED, "17621005"))
	done := b.tasks("site-check", "completed")
	require.Len(t, done, 1)
	require.Contains(t, string(done[0].Body), "Observation/"+r.Resource.ID)
	require.Contains(t, string(done[0].Body), "Observation/"+hand.Resource.ID)
	b.mustReplay(b.theEpisode())
}

// What is refused says so at its element, and leaves nothing behind.
func TestFindingRefused(t *testing.T) {
	ahead := func(b *bench) time.Time { return b.Now().Add(6 * time.Minute) }
	tests := []struct {
		name string
		f    finding
		at   func(b *bench) time.Time
		kind outcome.Code
		path string
	}{
		{"negative volume", finding{code: "band-air-removed", value: millilitres("-3")}, nil, outcome.CodeValue, "Observation.value.value"},
		{"absurd volume", finding{code: "band-air-removed", value: millilitres("99")}, nil, outcome.CodeValue, "Observation"},
		{"no unit", finding{code: "band-air-removed", value: `"valueQuantity":{"value":3}`}, nil, outcome.CodeRequired, "Observation.value.code"},
		{"wrong unit", finding{code: "band-air-removed", value: `"valueQuantity":{"value":3,"system":"http://unitsofmeasure.org","code":"L"}`}, nil, outcome.CodeValue, "Observation.value.code"},
		{"no value", finding{code: "access-site-bleeding"}, nil, outcome.CodeRequired, "Observation.value"},
		{"unknown answer", finding{code: "access-site-bleeding", value: coded(fhir.SystemDICOM, "122036")}, nil, outcome.CodeCodeInvalid, "Observation.value"},
		{"future", finding{code: "access-site-bleeding", value: dry()}, ahead, outcome.CodeValue, "Observation"},
		{"two times", finding{code: "access-site-bleeding", value: dry(), more: `"effectivePeriod":{"start":"2026-03-04"}`}, nil, outcome.CodeStructure, ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			b := newBench(t, nil)
			b.mustSend(newEvent())
			version := b.loaded(b.theEpisode()).version
			if tt.at != nil {
				tt.f.at = tt.at(b)
			}
			_, err := b.observe(tt.f)
			require.Equal(t, tt.kind, outcome.KindOf(err), "%v %s", err, issuesOf(err))
			if tt.path != "" {
				require.Contains(t, issuesOf(err), `"expression":["`+tt.path+`"]`)
			}
			require.Len(t, b.all("Observation"), 1, "the event's own")
			require.Equal(t, version, b.loaded(b.theEpisode()).version)
		})
	}
}

// Against the plan is accepted and shown.
func TestAgainstThePlanIsKept(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	b.mustObserve("band-air-removed", millilitres("9"))
	require.Equal(t, "3", b.loaded(b.theEpisode()).core.Plan.Summary.Book.Volume.String())
	b.mustObserve("band-air-removed", millilitres("9"))
	require.Equal(t, workflow.BookUncertain, b.loaded(b.theEpisode()).core.Plan.Summary.Book.State)
	b.mustReplay(b.theEpisode())
}

func TestRepeatedCreateAnswersWithTheFirst(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	f := finding{
		code: "band-air-removed", value: millilitres("3"), at: b.Now(),
		more: `"identifier":[{"system":"https://lindenbrook.example/ns/entry","value":"e1"}]`,
	}
	first, err := b.observe(f)
	require.NoError(t, err, issuesOf(err))
	version := b.loaded(b.theEpisode()).version
	b.wait(time.Minute)
	again, err := b.observe(f)
	require.NoError(t, err)
	require.True(t, first.Created)
	require.False(t, again.Created)
	require.Equal(t, first.Resource.Body, again.Resource.Body)
	require.Equal(t, version, b.loaded(b.theEpisode()).version)

	e := Entry{Method: "POST", Type: "Observation", IfNoneExist: "code=" + fhir.SystemLocal + "|band-air-added", Body: finding{code: "band-air-added", value: millilitres("1"), at: b.Now()}.body()}
	one, err := b.chartOne(e)
	require.NoError(t, err, issuesOf(err))
	two, err := b.chartOne(e)
	require.NoError(t, err)
	require.True(t, one.Created)
	require.False(t, two.Created)
	require.Equal(t, one.Resource.ID, two.Resource.ID)
	require.Equal(t, "10", b.loaded(b.theEpisode()).core.Plan.Summary.Book.Volume.String())
}

func TestIfNoneExistRefused(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	b.mustObserve("access-site-bleeding", dry())
	b.mustObserve("access-site-bleeding", dry())
	for query, want := range map[string]outcome.Code{
		"code=" + fhir.SystemLocal + "|access-site-bleeding": outcome.CodeMultipleMatches,
		"_count=3": outcome.CodeInvalid,
		"colour=1": outcome.CodeNotSupported,
	} {
		_, err := b.chartOne(Entry{Method: "POST", Type: "Observation", IfNoneExist: query, Body: finding{code: "hand-check", value: coded(fhir.SystemSNOMED, "17621005"), at: b.Now()}.body()})
		require.Equal(t, want, outcome.KindOf(err), "%s: %v", query, err)
	}
}

func TestCorrectionAndWithdrawal(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	r := b.mustObserve("band-air-removed", millilitres("3"))
	put := func(from, to string) EntryResult {
		t.Helper()
		body := strings.Replace(string(r.Resource.Body), from, to, 1)
		require.NotEqual(t, body, string(r.Resource.Body))
		got, err := b.chartOne(Entry{Method: "PUT", Type: "Observation", ID: r.Resource.ID, Body: []byte(body)})
		require.NoError(t, err, issuesOf(err))
		require.False(t, got.Created)
		return got
	}
	got := put(`"value":3,`, `"value":2.50,`)
	require.EqualValues(t, 2, got.Resource.Version)
	require.Contains(t, string(got.Resource.Body), `"value":2.50,`, "as it was written")
	require.Equal(t, "9.5", b.loaded(b.theEpisode()).core.Plan.Summary.Book.Volume.String())

	same, err := b.chartOne(Entry{Method: "PUT", Type: "Observation", ID: r.Resource.ID, Body: got.Resource.Body})
	require.NoError(t, err)
	require.EqualValues(t, 2, same.Resource.Version, "unchanged content is no version")

	_, err = b.chartOne(Entry{Method: "PUT", Type: "Observation", ID: r.Resource.ID, IfMatch: `W/"1"`, Body: got.Resource.Body})
	require.Equal(t, outcome.CodeConflict, outcome.KindOf(err))
	_, err = b.chartOne(Entry{Method: "PUT", Type: "Observation", ID: "other", Body: got.Resource.Body})
	require.Equal(t, outcome.CodeNotFound, outcome.KindOf(err))

	put(`"status":"final"`, `"status":"entered-in-error"`)
	require.Equal(t, "12", b.loaded(b.theEpisode()).core.Plan.Summary.Book.Volume.String())
	history, err := b.Store.History(t.Context(), "Observation", r.Resource.ID)
	require.NoError(t, err)
	require.Len(t, history, 3, "a correction keeps the original")
	b.mustReplay(b.theEpisode())
}

// twoWrists gives one plan a wrist, at the same time.
func twoWrists(t *testing.T) (b *bench, right, left string) {
	b = newBench(t, nil)
	e := newEvent()
	e.noVolume = true
	e.site = `[{"coding":[{"system":"http://snomed.info/sct","code":"368503001"}]},{"coding":[{"system":"http://snomed.info/sct","code":"368504007"}]}]`
	b.mustSend(e)
	id := fhir.Identifier{System: procedures, Value: "P-1"}
	return b, b.ids.episode(id, 1), b.ids.episode(id, 2)
}

func TestPlacementBetweenTwoWrists(t *testing.T) {
	b, right, left := twoWrists(t)
	_, err := b.observe(finding{code: "access-site-bleeding", value: dry()})
	require.Equal(t, outcome.CodeBusinessRule, outcome.KindOf(err))
	require.Contains(t, issuesOf(err), "Observation.bodySite")
	require.Empty(t, b.all("Observation"))

	onLeft, err := b.observe(finding{
		code: "access-site-bleeding", value: dry(),
		more: `"bodySite":{"coding":[{"system":"http://snomed.info/sct","code":"368504007"}]}`,
	})
	require.NoError(t, err, issuesOf(err))
	require.Equal(t, left, onLeft.Resource.Episode)
	require.Len(t, b.loaded(left).core.Findings, 1)
	require.Empty(t, b.loaded(right).core.Findings)

	whole, err := b.observe(finding{code: "general-condition", value: coded(fhir.SystemLocal, "well")})
	require.NoError(t, err, issuesOf(err))
	require.True(t, b.loaded(left).has(whole.Resource.ID))
	require.True(t, b.loaded(right).has(whole.Resource.ID))
	pulse, err := b.observe(finding{
		code: "http://loinc.org|8867-4", value: `"valueQuantity":{"value":72,"unit":"/min","system":"http://unitsofmeasure.org","code":"/min"}`,
		more: `"category":[{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/observation-category","code":"vital-signs"}]}]`,
	})
	require.NoError(t, err, issuesOf(err))
	require.True(t, b.loaded(left).has(pulse.Resource.ID))

	// Corrected to the other side, it moves.
	body := strings.Replace(string(onLeft.Resource.Body), "368504007", "368503001", 1)
	moved, err := b.chartOne(Entry{Method: "PUT", Type: "Observation", ID: onLeft.Resource.ID, Body: []byte(body)})
	require.NoError(t, err, issuesOf(err))
	require.Equal(t, right, moved.Resource.Episode)
	require.False(t, b.loaded(left).has(onLeft.Resource.ID))
	require.True(t, b.loaded(right).has(onLeft.Resource.ID))
	b.mustReplay(left, right)
}

func TestPlacementByProcedure(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	procedure := b.all("Procedure")[0].ID
	r, err := b.observe(finding{code: "access-site-bleeding", value: dry(), more: `"partOf":[{"reference":"Procedure/` + procedure + `"}]`})
	require.NoError(t, err)
	require.Equal(t, b.theEpisode(), r.Resource.Episode)
	r, err = b.observe(finding{code: "access-site-bleeding", value: dry(), more: `"partOf":[{"reference":"Procedure/another"}]`})
	require.NoError(t, err)
	require.Empty(t, r.Resource.Episode, "every reference given filters")
	require.Contains(t, string(r.Resource.Body), `"code":"unplaced"`)
}

func TestOtherHandIsAComparison(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	r, err := b.observe(finding{
		code: "access-site-bleeding", value: dry(),
		more: `"bodySite":{"coding":[{"system":"http://snomed.info/sct","code":"368504007"}]}`,
	})
	require.NoError(t, err)
	require.NotEmpty(t, r.Warnings)
	require.Empty(t, b.tasks("site-check", "completed"))
	require.Empty(t, b.loaded(b.theEpisode()).core.Findings)
}

func TestUnplacedIsAdopted(t *testing.T) {
	b := newBench(t, nil)
	early, err := b.observe(finding{code: "access-site-bleeding", value: bleeding()})
	require.NoError(t, err, issuesOf(err))
	require.Contains(t, string(early.Resource.Body), `"code":"unplaced"`)
	require.NotEmpty(t, early.Warnings)
	require.Empty(t, early.Resource.Episode)
	b.wait(20 * time.Minute)
	b.mustSend(newEvent())
	l := b.loaded(b.theEpisode())
	require.True(t, l.has(early.Resource.ID))
	require.NotEmpty(t, b.tasks("restore-compression", "ready"), "the bleed counts")
	now, err := b.Store.Read(t.Context(), "Observation", early.Resource.ID)
	require.NoError(t, err)
	require.NotContains(t, string(now.Body), "unplaced")
	require.Equal(t, b.theEpisode(), now.Episode)
	b.mustReplay(b.theEpisode())
}

func TestUnplacedWaitsTwelveHours(t *testing.T) {
	b := newBench(t, nil)
	old, err := b.observe(finding{code: "access-site-bleeding", value: bleeding()})
	require.NoError(t, err)
	b.wait(12*time.Hour + time.Minute)
	b.mustSend(newEvent())
	require.False(t, b.loaded(b.theEpisode()).has(old.Resource.ID))
}

func TestUnknownPatient(t *testing.T) {
	b := newBench(t, nil)
	body := strings.Replace(string(finding{code: "access-site-bleeding", value: dry(), at: b.Now()}.body()),
		fmt.Sprintf(`{"identifier":{"system":%q,"value":"4711"}}`, patients), `{"reference":"Patient/nobody"}`, 1)
	_, err := b.chartOne(Entry{Method: "POST", Type: "Observation", Body: []byte(body)})
	require.Equal(t, outcome.CodeBusinessRule, outcome.KindOf(err))
	b.nothingStored("Observation", "Patient")
}

func TestVolumeOfTheEventIsCorrectedThere(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	told := b.all("Observation")[0]
	_, err := b.put(told, changed(t, told, `"final"`, `"entered-in-error"`), "")
	require.Equal(t, outcome.CodeBusinessRule, outcome.KindOf(err))
	require.EqualValues(t, 1, b.all("Observation")[0].Version)

	// Another number is a contradiction: kept, and a person settles it.
	_, err = b.put(told, changed(t, told, `"value":12`, `"value":10`), "")
	require.NoError(t, err, issuesOf(err))
	require.Equal(t, workflow.BookUncertain, b.loaded(b.theEpisode()).core.Plan.Summary.Book.State)
}

func TestSameResourceTwiceInOneTransaction(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	body := finding{code: "band-air-removed", value: millilitres("3"), at: b.Now(), more: `"identifier":[{"value":"e1"}]`}.body()
	e := Entry{Method: "POST", Type: "Observation", Body: body}
	_, err := b.Chart(t.Context(), nurse(), []Entry{e, e})
	require.Equal(t, outcome.CodeInvalid, outcome.KindOf(err))
	require.Len(t, b.all("Observation"), 1)
}
