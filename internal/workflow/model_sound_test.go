package workflow_test

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/workflow"
)

// TestModelKey: two episodes of the same key have the same future. Wherever the walk
// meets a known key by another course of events, every input in time leads from both to
// the same keys, and breaks the same rules.
func TestModelKey(t *testing.T) {
	start := modelStarts()[0].bed(t)
	known := map[[16]byte]bed{}
	met := 0
	var from func(b bed, level int)
	from = func(b bed, level int) {
		key := workflow.ModelKey(&b.e)
		if twin, ok := known[key]; ok {
			if len(twin.e.Findings) != len(b.e.Findings) || len(twin.e.Tasks) != len(b.e.Tasks) {
				met++
				sameFuture(t, twin, b)
			}
			return
		}
		known[key] = b
		if level > 0 {
			for _, in := range essential(&b) {
				if _, next := b.take(in); len(known) < 6000 {
					from(next, level-1)
				}
			}
		}
		if in := b.nurse(); in != nil && !b.finished() {
			_, next := b.take(in)
			from(next, level)
		}
	}
	from(start, 2)
	t.Logf("%d states, %d met again by another course", len(known), met)
	require.Greater(t, met, 20, "the key forgets nothing")
}

func sameFuture(t *testing.T, a, b bed) {
	t.Helper()
	ins, others := a.inTime(), b.inTime()
	require.Len(t, others, len(ins))
	for i := range ins {
		x, nextA := a.take(ins[i])
		y, nextB := b.take(others[i])
		require.Equal(t, x.err == nil, y.err == nil, "%s\n%s", say(ins[i]), say(others[i]))
		require.Equal(t, workflow.ModelKey(&nextA.e), workflow.ModelKey(&nextB.e), "%s\n%s", say(ins[i]), say(others[i]))
		require.Equal(t, nextA.wake.Sub(nextA.e.Last), nextB.wake.Sub(nextB.e.Last), say(ins[i]))
	}
}

// TestTwoClients: what two clients found at different times counts the same whoever is
// heard first: the same book, the same acts offered, the same looks due (design rule 6).
func TestTwoClients(t *testing.T) {
	pairs := 0
	for _, s := range modelStarts()[:2] {
		b := s.bed(t)
		for range 40 {
			if in := b.nurse(); in == nil || b.finished() {
				break
			} else if _, b = b.take(in); len(b.e.Findings) == 0 {
				continue
			}
			pairs += twoClients(t, b)
		}
	}
	t.Logf("%d pairs of findings in both orders", pairs)
}

func twoClients(t *testing.T, b bed) int {
	t.Helper()
	at := b.e.Last.Add(3 * time.Minute)
	first := []workflow.Finding{
		b.finding(0, workflow.Bleeding, workflow.Active, nil), b.finding(0, workflow.Bleeding, workflow.Haemostasis, nil),
		b.finding(0, workflow.AirRemoved, "", decimal("1")), b.finding(0, workflow.AirAdded, "", decimal("1")),
		b.finding(0, workflow.Patency, workflow.Occluded, nil), b.finding(0, workflow.Band, workflow.BandOff, nil),
	}
	second := slices.Clone(first)
	n := 0
	for _, f := range first {
		for _, g := range second {
			f.ID, g.ID = "a", "b"
			f.Found, g.Found = at.Add(-2*time.Minute), at.Add(-time.Minute)
			f.Recorded, g.Recorded = at, at
			one := heard(t, b, at, f, g)
			two := heard(t, b, at, g, f)
			require.Equal(t, one.Ledger(), two.Ledger(), "%s, %s", f.Code, g.Code)
			require.Equal(t, one.Plan.Summary.Book, two.Plan.Summary.Book)
			require.Equal(t, one.Plan.Summary.BandOn, two.Plan.Summary.BandOn)
			require.Equal(t, one.Plan.Summary.Bleeds, two.Plan.Summary.Bleeds)
			require.Equal(t, turns(one), turns(two), "%s=%s then %s=%s, after\n%s", f.Code, f.Answer, g.Code, g.Answer, clock(b.e.Last))
			n++
		}
	}
	return n
}

// heard takes the two findings one after the other.
func heard(t *testing.T, b bed, at time.Time, list ...workflow.Finding) *workflow.Episode {
	t.Helper()
	for _, f := range list {
		m, next := b.take(workflow.Charted{Stamp: workflow.Stamp{At: at, ID: f.ID}, Findings: []workflow.Finding{f}})
		require.NoError(t, m.err)
		b = next
	}
	return &b.e
}

// turns are the acts with the band that are somebody's turn. An easing is left out: one
// that was offered stays when a step comes near, one that was not is not offered any more.
func turns(e *workflow.Episode) map[workflow.TaskCode]bool {
	open := map[workflow.TaskCode]bool{}
	for _, t := range e.Tasks {
		switch t.Key.Code {
		case workflow.ReleaseStep, workflow.BandRemoval, workflow.ControlBleeding:
			if t.Status.Turn() && len(t.Outputs) == 0 {
				open[t.Key.Code] = true
			}
		case workflow.ArrivalCheck, workflow.RecordBandVolume, workflow.PatencyCheck, workflow.SiteCheck, workflow.RestoreCompression, workflow.EaseCompression,
			workflow.Dressing, workflow.PostRemovalCheck, workflow.ConfirmBandState, workflow.SettleVolume, workflow.DischargeCheck,
			workflow.ClinicianReview, workflow.Titration, workflow.PatientTeaching, workflow.UlnarCompression:
		}
	}
	return open
}
