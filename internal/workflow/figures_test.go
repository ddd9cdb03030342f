package workflow_test

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/workflow"
)

// enter charts findings made at a time of the day, all entered at another.
func enter(t *testing.T, b *bed, entered, found time.Time, findings ...workflow.Finding) {
	t.Helper()
	for i := range findings {
		findings[i].Found, findings[i].Recorded = found, entered
	}
	m, next := b.take(workflow.Charted{Stamp: workflow.Stamp{At: entered, ID: "i"}, Findings: findings})
	require.NoError(t, m.err)
	*b = next
}

func at(hour, minute int) time.Time {
	return day.Add(time.Duration(hour)*time.Hour + time.Duration(minute)*time.Minute)
}

func starterBed(t *testing.T) bed {
	t.Helper()
	starts := modelStarts()
	return starts[len(starts)-2].bed(t) // the diagnostic starter with 15 mL
}

// TestFigures: an hour that was cared for in time and entered at its end is late charting
// and no late care; a step an hour after its time is late care.
func TestFigures(t *testing.T) {
	b := starterBed(t)
	enter(t, &b, at(10, 12), at(10, 12), b.well(0, workflow.AirVolume), b.well(1, workflow.Bleeding), b.well(2, workflow.Hand), b.well(3, workflow.Haematoma))
	require.Equal(t, workflow.Delays{Of: 2}, b.e.Figures().Care)
	enter(t, &b, at(11, 0), at(10, 27), b.well(0, workflow.Bleeding), b.well(1, workflow.Hand))
	enter(t, &b, at(11, 0), at(10, 42), b.well(0, workflow.Bleeding), b.well(1, workflow.Hand))
	got := b.e.Figures()
	require.Zero(t, got.Care.Late)
	require.Equal(t, 4, got.Charting.Late)
	require.Equal(t, 33*time.Minute, got.Charting.Worst)

	enter(t, &b, at(12, 10), at(12, 10), b.well(0, workflow.Bleeding), b.well(1, workflow.Hand))
	enter(t, &b, at(12, 11), at(12, 11), b.finding(0, workflow.AirRemoved, "", decimal("3")))
	enter(t, &b, at(12, 13), at(12, 13), b.well(0, workflow.Bleeding))
	got = b.e.Figures()
	require.Equal(t, 131*time.Minute, got.FirstRelease)
	require.Equal(t, 1, got.Care.Late, "the look; the step was withheld for want of one and then done at once")
	require.Equal(t, 73*time.Minute, got.Care.Worst)
	require.Zero(t, got.BandTime, "the band is on")
	enter(t, &b, at(12, 20), at(12, 20), b.finding(0, workflow.Band, workflow.BandOff, nil))
	require.Equal(t, 140*time.Minute, b.e.Figures().BandTime)
}

// TestWorkload: what is planned of two wrists, quarter by quarter.
func TestWorkload(t *testing.T) {
	one, two := starterBed(t), starterBed(t)
	loads := workflow.Workload(append(one.e.Tasks, two.e.Tasks...), at(10, 0), 16)
	air := 0
	for i, l := range loads {
		require.Equal(t, at(10, 15*i), l.From)
		air += l.Air
	}
	require.Equal(t, 10, air, "five steps of each")
	require.Equal(t, 4, loads[1].Tasks, "the check on arrival and the look of each")
	busiest := slices.MaxFunc(loads, func(a, b workflow.Load) int { return a.Tasks - b.Tasks })
	require.Equal(t, at(10, 15), busiest.From)
	require.Empty(t, workflow.Workload(nil, at(10, 0), 0))
}

// TestOffIfBleed: the forecast with a bleed at the second step is that of the protocol's
// own check, counted another way.
func TestOffIfBleed(t *testing.T) {
	b := starterBed(t)
	enter(t, &b, at(11, 0), at(11, 0), b.well(0, workflow.AirVolume), b.well(1, workflow.Bleeding))
	enter(t, &b, at(11, 0), at(11, 0), b.finding(0, workflow.AirRemoved, "", decimal("3")))
	p := b.e.Protocol
	want := at(10, 0).Add(p.LastRelease(workflow.MustDecimal("15"), true) + p.WatchAtEmpty)
	require.Equal(t, want, b.e.Plan.Summary.OffIfBleed)
	require.True(t, b.e.Plan.Off.Before(want))
}

// TestPlannedStandsBesideActual: a step that was done early keeps the times it was planned
// for, beside those at which it was done (design rule 9), while its look is waited for and
// when it is completed.
func TestPlannedStandsBesideActual(t *testing.T) {
	b := starterBed(t)
	enter(t, &b, at(10, 50), at(10, 50), b.well(0, workflow.AirVolume), b.well(1, workflow.Bleeding))
	enter(t, &b, at(10, 51), at(10, 51), b.finding(0, workflow.AirRemoved, "", decimal("3")))
	step := workflow.TaskKey{Code: workflow.ReleaseStep, Ordinal: 1}
	require.Equal(t, at(10, 53), b.e.Task(step).Due, "its look is due")
	require.Equal(t, at(11, 10), b.e.Task(step).PlannedDue)
	enter(t, &b, at(10, 53), at(10, 53), b.well(0, workflow.Bleeding))
	done := b.e.Task(step)
	require.Equal(t, workflow.TaskCompleted, done.Status)
	require.Equal(t, at(11, 0), done.NotBefore)
	require.Equal(t, at(11, 10), done.Due)
	require.Equal(t, at(10, 51), done.Start)
	require.Equal(t, at(10, 53), done.End)
}
