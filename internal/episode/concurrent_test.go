package episode

import (
	"fmt"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir"
)

// Sixteen hands at once on one episode: every entry counts, each once.
func TestSixteenChartAtOnce(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	var wg sync.WaitGroup
	errs := make([]error, 16)
	for i := range errs {
		wg.Go(func() {
			_, errs[i] = b.observe(finding{code: "band-air-removed", value: millilitres("0.5"), at: b.Now()})
		})
	}
	wg.Wait()
	for _, err := range errs {
		require.NoError(t, err, issuesOf(err))
	}
	require.Equal(t, "4", b.loaded(b.theEpisode()).core.Plan.Summary.Book.Volume.String())
	b.mustReplay(b.theEpisode())
}

// The same identified entry from sixteen retries is one entry.
func TestSixteenRepeatsAreOneEntry(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	var wg sync.WaitGroup
	created := make([]bool, 16)
	for i := range created {
		wg.Go(func() {
			more := `"identifier":[{"system":"https://lindenbrook.example/ns/entry","value":"e1"}]`
			r, err := b.observe(finding{code: "band-air-removed", value: millilitres("3"), at: b.Now(), more: more})
			created[i] = err == nil && r.Created
		})
	}
	wg.Wait()
	n := 0
	for _, c := range created {
		if c {
			n++
		}
	}
	require.Equal(t, 1, n)
	require.Equal(t, "9", b.loaded(b.theEpisode()).core.Plan.Summary.Book.Volume.String())
}

// A finding and the event that it waits for, at the same moment: it is adopted.
func TestFindingAndEventAtOnce(t *testing.T) {
	b := newBench(t, nil)
	const rounds = 8
	var wg sync.WaitGroup
	for i := range rounds {
		patient := fmt.Sprintf("p%d", i)
		e := newEvent()
		e.message, e.procedure, e.patient = fmt.Sprintf("m%d", i), fmt.Sprintf("P-%d", i), patient
		body := fmt.Appendf(nil, `{"resourceType":"Observation","status":"final","code":{"coding":[{"system":%q,"code":"access-site-bleeding"}]},
			"subject":{"identifier":{"system":%q,"value":%q}},"effectiveDateTime":"2026-03-04T09:49:00Z",%s}`, fhir.SystemLocal, patients, patient, bleeding())
		wg.Go(func() { _, _ = b.send(e) })
		wg.Go(func() { _, _ = b.chartOne(Entry{Method: "POST", Type: "Observation", Body: body}) })
	}
	wg.Wait()
	for i := range rounds {
		id := b.ids.episode(fhir.Identifier{System: procedures, Value: fmt.Sprintf("P-%d", i)}, 1)
		require.Len(t, b.loaded(id).core.Findings, 1)
		b.mustReplay(id)
	}
	require.Len(t, b.all("Patient"), rounds)
}
