package simulation

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/workflow"
)

// TestBroken: each rule notices an episode that breaks it. The sound episode is one of a
// band with 15 mL, ten minutes after its first look.
func TestBroken(t *testing.T) {
	require.Empty(t, broken(workflow.Elapsed{}, sound(t), sound(t)))
	elapsed, charted := workflow.Elapsed{}, workflow.Charted{}
	for name, c := range map[string]struct {
		in    workflow.Input
		spoil func(before, after *workflow.Episode)
		want  string
	}{
		"the book is not the ledger": {charted, func(_, e *workflow.Episode) {
			e.Plan.Summary.Book.Volume = workflow.MustDecimal("14")
		}, "the ledger adds up to 15 mL"},
		"a step of nothing": {charted, func(_, e *workflow.Episode) {
			offer(e, workflow.ReleaseStep, "0")
		}, "plans 0 mL"},
		"more than the book holds": {charted, func(_, e *workflow.Episode) {
			offer(e, workflow.ReleaseStep, "16")
		}, "more than the book holds"},
		"above the maximum": {charted, func(_, e *workflow.Episode) {
			task(e, workflow.ReleaseStep).Key.Code = workflow.RestoreCompression
			offer(e, workflow.RestoreCompression, "4")
		}, "above the device's maximum"},
		"offered in doubt": {charted, func(_, e *workflow.Episode) {
			offer(e, workflow.ReleaseStep, "3")
			e.Plan.Summary.Book.State = workflow.BookUncertain
		}, "offered with the volume uncertain"},
		"offered while it bleeds": {charted, func(_, e *workflow.Episode) {
			offer(e, workflow.ReleaseStep, "3")
			e.Plan.Summary.LastAnswer = workflow.Oozing
		}, "offered without a dry look"},
		"offered too early": {charted, func(_, e *workflow.Episode) {
			offer(e, workflow.ReleaseStep, "3")
		}, "offered before its time"},
		"removed with air in it": {charted, func(_, e *workflow.Episode) {
			task(e, workflow.BandRemoval).Status = workflow.TaskReady
		}, "offered with air in the band"},
		"nobody looks": {charted, func(_, e *workflow.Episode) {
			task(e, workflow.SiteCheck).Due = time.Time{}
		}, "nobody has to look"},
		"nothing to be done": {charted, func(_, e *workflow.Episode) {
			for i := range e.Tasks {
				if e.Tasks[i].Key.Code != workflow.SiteCheck {
					e.Tasks[i].Due = time.Time{}
				}
			}
		}, "no next act"},
		"looks stacked": {charted, func(_, e *workflow.Episode) {
			e.Tasks = append(e.Tasks, *task(e, workflow.SiteCheck))
		}, "2 open site-check"},
		"a finished Task reopened": {charted, func(before, _ *workflow.Episode) {
			task(before, workflow.SiteCheck).Status = workflow.TaskCompleted
		}, "was finished and has changed"},
		"completed by time": {elapsed, func(_, e *workflow.Episode) {
			task(e, workflow.ArrivalCheck).Status = workflow.TaskCompleted
		}, "completed by time alone"},
		"enlarged by time": {elapsed, func(before, _ *workflow.Episode) {
			small := workflow.MustDecimal("1")
			task(before, workflow.ReleaseStep).Planned = &small
		}, "enlarged by time alone"},
		"brought forward by time": {elapsed, func(_, e *workflow.Episode) {
			task(e, workflow.ReleaseStep).NotBefore = day()
		}, "brought forward by time alone"},
		"gone": {elapsed, func(before, _ *workflow.Episode) {
			before.Tasks = append(before.Tasks, workflow.Task{Key: workflow.TaskKey{Code: workflow.Dressing, Ordinal: 9}})
		}, "is gone"},
	} {
		t.Run(name, func(t *testing.T) {
			before, after := sound(t), sound(t)
			c.spoil(before, after)
			require.Contains(t, broken(c.in, before, after), c.want)
		})
	}
}

// sound gives an episode that breaks no rule.
func sound(t *testing.T) *workflow.Episode {
	t.Helper()
	volume := workflow.MustDecimal("15")
	p := &workflow.Protocol{
		Step: workflow.MustDecimal("3"), Interval: 15 * time.Minute, FirstRelease: time.Hour, DeviceMaximum: workflow.MustDecimal("18"),
		SiteCheckFirst: 15 * time.Minute, SiteCheckThen: 15 * time.Minute, WatchAtEmpty: 15 * time.Minute, ReleaseDue: 10 * time.Minute,
		AfterRemoval: []time.Duration{15 * time.Minute},
		Required: map[workflow.TaskCode][]workflow.FindingCode{
			workflow.SiteCheck: {workflow.Bleeding}, workflow.ArrivalCheck: {workflow.Hand},
		},
	}
	e, _, err := workflow.Step(workflow.New("e", p, ""), workflow.Started{
		Stamp: workflow.Stamp{At: day(), ID: "i1"},
		Event: workflow.Event{
			Order: day(), Recorded: day(), Kind: workflow.Diagnostic, Side: workflow.Right, CompressionStart: day(), Volume: &volume,
		},
	})
	require.NoError(t, err)
	at := day().Add(10 * time.Minute)
	e, _, err = workflow.Step(e, workflow.Charted{Stamp: workflow.Stamp{At: at, ID: "i2"}, Findings: []workflow.Finding{
		{ID: "f1", Code: workflow.Bleeding, Answer: workflow.Haemostasis, Found: at, Recorded: at},
	}})
	require.NoError(t, err)
	return &e
}

// task gives the first open Task of a code.
func task(e *workflow.Episode, code workflow.TaskCode) *workflow.Task {
	for i := range e.Tasks {
		if e.Tasks[i].Key.Code == code && !e.Tasks[i].Status.Finished() {
			return &e.Tasks[i]
		}
	}
	panic("there is no open " + string(code))
}

// offer makes the first open Task of a code ready with a volume.
func offer(e *workflow.Episode, code workflow.TaskCode, volume string) {
	t := task(e, code)
	planned := workflow.MustDecimal(volume)
	t.Status, t.Planned = workflow.TaskReady, &planned
}
