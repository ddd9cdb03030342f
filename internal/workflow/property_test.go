package workflow_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"fhirsvc/internal/workflow"
)

// ward plays random inputs against one episode and checks each step.
type ward struct {
	e      workflow.Episode
	now    time.Time
	inputs []workflow.Input
	wake   time.Time
	n      int
}

func newWard(t *rapid.T) *ward {
	w := &ward{now: day.Add(10*time.Hour + 5*time.Minute)}
	kind := rapid.SampledFrom([]workflow.ProcedureKind{workflow.Diagnostic, workflow.Intervention}).Draw(t, "kind")
	ev := workflow.Event{
		Order: w.now, Recorded: w.now, Kind: kind, Side: workflow.Right,
		CompressionStart: w.now.Add(-5 * time.Minute), Refs: workflow.Refs{Subject: "Patient/p1"},
	}
	if volume := rapid.SampledFrom([]string{"", "10", "12.5", "15", "18"}).Draw(t, "volume"); volume != "" {
		v := workflow.MustDecimal(volume)
		ev.Volume = &v
	}
	p, why := workflow.Select(protocols, ev)
	w.e = workflow.New("e1", p, why)
	w.step(t, workflow.Started{Stamp: w.stamp(), Event: ev})
	return w
}

func (w *ward) stamp() workflow.Stamp {
	w.n++
	return workflow.Stamp{At: w.now, ID: fmt.Sprintf("i%d", w.n)}
}

// step feeds one input; a refused one must leave no trace.
func (w *ward) step(t testingT, in workflow.Input) []workflow.Effect {
	t.Helper()
	before := w.e
	next, effects, err := workflow.Step(w.e, in)
	if err != nil {
		require.Equal(t, before, next, "a refused input leaves a trace")
		require.Empty(t, effects)
		return nil
	}
	w.inputs = append(w.inputs, in)
	checkFinished(t, &before, &next)
	checkTimePressure(t, in, &before, &next)
	w.e = next
	checkAlways(t, &w.e)
	for _, eff := range effects {
		if at, ok := eff.(workflow.WakeAt); ok {
			w.wake = at.At
			require.True(t, at.At.IsZero() || at.At.After(w.now), "woken in the past")
		}
	}
	return effects
}

// checkFinished: a finished Task stays finished and as it was (design rule 6).
func checkFinished(t testingT, before, after *workflow.Episode) {
	t.Helper()
	for _, old := range before.Tasks {
		if !old.Status.Finished() {
			continue
		}
		now := after.Task(old.Key)
		require.NotNil(t, now, "%s is gone", old.Key)
		require.Equal(t, old.Status, now.Status, "%s was finished", old.Key)
		require.Equal(t, old.End, now.End)
		require.Equal(t, old.Outputs, now.Outputs)
	}
}

// checkTimePressure: time alone never completes a Task, enlarges a step, or brings one
// forward (design rule 12).
func checkTimePressure(t testingT, in workflow.Input, before, after *workflow.Episode) {
	t.Helper()
	if _, ok := in.(workflow.Elapsed); !ok {
		return
	}
	for _, old := range before.Tasks {
		now := after.Task(old.Key)
		require.NotNil(t, now)
		require.Equal(t, old.Status == workflow.TaskCompleted, now.Status == workflow.TaskCompleted, "%s completed by time", old.Key)
		if old.Planned != nil && now.Planned != nil {
			require.False(t, old.Planned.Less(*now.Planned), "%s enlarged by time", old.Key)
		}
		if !old.Status.Finished() && old.Key.Code == workflow.ReleaseStep {
			require.False(t, now.NotBefore.Before(old.NotBefore), "%s brought forward by time", old.Key)
		}
	}
}

// finding draws one random finding, now or some minutes ago.
func (w *ward) finding(t *rapid.T) workflow.Finding {
	w.n++
	f := workflow.Finding{
		ID: fmt.Sprintf("f%d", w.n), Recorded: w.now, By: "nurse",
		Found: w.now.Add(-time.Duration(rapid.SampledFrom([]int{0, 0, 0, 0, 3, 40}).Draw(t, "ago")) * time.Minute),
		Side:  rapid.SampledFrom([]workflow.Side{"", "", workflow.Right, workflow.Left}).Draw(t, "side"),
	}
	choice := rapid.SampledFrom(findingChoices).Draw(t, "finding")
	f.Code, f.Answer = choice.code, choice.answer
	if choice.amount != "" {
		d := workflow.MustDecimal(choice.amount)
		f.Amount = &d
	}
	if f.Code == workflow.Hand && f.Answer == workflow.Abnormal {
		f.Signs = rapid.SliceOfNDistinct(rapid.SampledFrom([]workflow.HandSign{
			workflow.HandTingling, workflow.HandCold, workflow.HandNumb, workflow.HandSlowRefill, workflow.HandWeak,
		}), 0, 3, rapid.ID).Draw(t, "signs")
	}
	if f.Code == workflow.Haematoma && f.Answer == workflow.Present {
		f.Grade = rapid.IntRange(0, 5).Draw(t, "grade")
	}
	if f.Code == workflow.Patency {
		f.Method = rapid.SampledFrom([]workflow.Method{workflow.WaveformUlnarCompressed, workflow.Waveform}).Draw(t, "method")
	}
	if rapid.IntRange(0, 9).Draw(t, "missing") == 0 {
		f.Answer, f.Amount, f.Missing = "", nil, workflow.NotPerformed
	}
	return f
}

var findingChoices = []struct {
	code   workflow.FindingCode
	answer workflow.Answer
	amount string
}{
	{workflow.Bleeding, workflow.Haemostasis, ""},
	{workflow.Bleeding, workflow.Haemostasis, ""},
	{workflow.Bleeding, workflow.Oozing, ""},
	{workflow.Bleeding, workflow.Active, ""},
	{workflow.Hand, workflow.Normal, ""},
	{workflow.Hand, workflow.Abnormal, ""},
	{workflow.Patency, workflow.Patent, ""},
	{workflow.Patency, workflow.Occluded, ""},
	{workflow.Patency, workflow.Indeterminate, ""},
	{workflow.Pulse, workflow.Normal, ""},
	{workflow.Pulse, workflow.Absent, ""},
	{workflow.Haematoma, workflow.Absent, ""},
	{workflow.Haematoma, workflow.Present, "6"},
	{workflow.AirRemoved, "", "3"},
	{workflow.AirRemoved, "", "1.5"},
	{workflow.AirRemoved, "", "0"},
	{workflow.AirRemoved, "", "30"},
	{workflow.AirAdded, "", "3"},
	{workflow.AirAdded, "", "1"},
	{workflow.AirVolume, "", "15"},
	{workflow.AirVolume, "", "0"},
	{workflow.Band, workflow.BandOn, ""},
	{workflow.Band, workflow.BandOff, ""},
	{workflow.Band, workflow.BandReplaced, ""},
	{workflow.Band, workflow.BandDisplaced, ""},
	{workflow.Band, workflow.BandNeverApplied, ""},
	{workflow.Condition, workflow.Faint, ""},
	{workflow.Condition, workflow.Well, ""},
	{workflow.Pain, "", "2"},
	{workflow.Pain, "", "8"},
	{workflow.Pressure, "", "130"},
	{workflow.Pressure, "", "80"},
	{workflow.Anticoagulant, "", ""},
}

// act draws one random input.
func (w *ward) act(t *rapid.T) {
	switch rapid.SampledFrom([]string{"wait", "wait", "find", "find", "find", "find", "batch", "task", "order", "withdraw", "correct", "move"}).Draw(t, "act") {
	case "wait":
		w.wait(t, time.Duration(rapid.IntRange(1, 40).Draw(t, "minutes"))*time.Minute)
	case "find":
		w.step(t, workflow.Charted{Stamp: w.stamp(), Findings: []workflow.Finding{w.finding(t)}})
	case "batch":
		var list []workflow.Finding
		for i := range rapid.IntRange(2, 5).Draw(t, "findings") {
			f := w.finding(t)
			f.Entry = i
			list = append(list, f)
		}
		w.step(t, workflow.Charted{Stamp: w.stamp(), Findings: list})
	case "task":
		task := rapid.SampledFrom(w.e.Tasks).Draw(t, "task")
		u := workflow.TaskUpdate{
			Task: task.Key, Reason: rapid.SampledFrom([]string{"", "asleep"}).Draw(t, "reason"),
			Status: rapid.SampledFrom([]workflow.TaskStatus{
				workflow.TaskInProgress, workflow.TaskReady, workflow.TaskCompleted, workflow.TaskCancelled, workflow.TaskRejected,
			}).Draw(t, "status"),
		}
		w.step(t, workflow.Charted{Stamp: w.stamp(), Updates: []workflow.TaskUpdate{u}})
	case "order":
		w.order(t)
	case "withdraw":
		if len(w.e.Findings) > 0 {
			f := rapid.SampledFrom(w.e.Findings).Draw(t, "withdrawn")
			w.step(t, workflow.Charted{Stamp: w.stamp(), Withdrawn: []workflow.Withdrawal{{Finding: f.ID}}})
		}
	case "correct":
		ev := w.e.Events[0]
		ev.Order, ev.Recorded = w.now, w.now
		ev.Side = rapid.SampledFrom([]workflow.Side{workflow.Right, workflow.Left}).Draw(t, "corrected")
		w.step(t, workflow.Started{Stamp: w.stamp(), Event: ev})
	case "move":
		w.step(t, workflow.Relocated{Stamp: w.stamp(), Found: w.now, Ended: rapid.IntRange(0, 4).Draw(t, "ended") == 0})
	}
}

func (w *ward) order(t *rapid.T) {
	w.n++
	amount := workflow.MustDecimal(rapid.SampledFrom([]string{"0", "2", "9"}).Draw(t, "amount"))
	o := workflow.Order{
		ID: fmt.Sprintf("o%d", w.n), Given: w.now, Recorded: w.now, By: "clinician", Reason: "reason",
		Until: w.now.Add(20 * time.Minute), Time: w.now.Add(10 * time.Minute), Amount: &amount,
		Code: rapid.SampledFrom([]workflow.OrderCode{
			workflow.OrderHold, workflow.OrderResume, workflow.OrderResume, workflow.OrderPauseRelease, workflow.OrderOverrideTime,
			workflow.OrderOverrideVolume, workflow.OrderAdjustVolume, workflow.OrderContinueToEmpty, workflow.OrderNoBandPlan, workflow.OrderStopPlan,
		}).Draw(t, "order"),
	}
	w.step(t, workflow.Charted{Stamp: w.stamp(), Orders: []workflow.Order{o}})
}

// wait lets time pass, waking the episode whenever it asked for it.
func (w *ward) wait(t testingT, d time.Duration) {
	until := w.now.Add(d)
	for !w.wake.IsZero() && !w.wake.After(until) {
		w.now = w.wake
		w.step(t, workflow.Elapsed{Stamp: w.stamp()})
	}
	w.now = until
}

var protocols []*workflow.Protocol

func TestMain(m *testing.M) {
	protocols = starters(&testing.T{})
	m.Run()
}

// TestRandomEpisodes holds random episodes against what must be true after every step,
// replays them from nothing, and sends everything twice.
func TestRandomEpisodes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := newWard(t)
		for range rapid.IntRange(1, 40).Draw(t, "acts") {
			w.act(t)
		}
		again := workflow.New("e1", w.e.Protocol, w.e.NoProtocol)
		for _, in := range w.inputs {
			var err error
			again, _, err = workflow.Step(again, in)
			require.NoError(t, err)
		}
		require.Equal(t, w.e, again, "a replay gives another state")
	})
}

// TestRepeats: the same findings charted again change nothing (design rule 6).
func TestRepeats(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := newWard(t)
		for range rapid.IntRange(1, 15).Draw(t, "acts") {
			w.act(t)
		}
		if len(w.e.Findings) == 0 {
			return
		}
		w.step(t, workflow.Elapsed{Stamp: w.stamp()})
		f := rapid.SampledFrom(w.e.Findings).Draw(t, "repeated")
		for _, eff := range w.step(t, workflow.Charted{Stamp: w.stamp(), Findings: []workflow.Finding{f}}) {
			_, wake := eff.(workflow.WakeAt)
			require.True(t, wake, "a repeat has the effect %#v", eff)
		}
	})
}

// TestEntryOrder: what was found at different times counts the same in whatever order it
// was entered (design rule 6).
func TestEntryOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := newWard(t)
		w.wait(t, 2*time.Hour)
		var list []workflow.Finding
		for i := range rapid.IntRange(2, 6).Draw(t, "findings") {
			f := w.finding(t)
			f.Found = w.now.Add(-time.Duration(60-7*i) * time.Minute)
			list = append(list, f)
		}
		shuffled := rapid.Permutation(list).Draw(t, "entered")
		in := workflow.Stamp{At: w.now, ID: "batch"}
		one, _, err1 := workflow.Step(w.e, workflow.Charted{Stamp: in, Findings: list})
		two, _, err2 := workflow.Step(w.e, workflow.Charted{Stamp: in, Findings: shuffled})
		require.Equal(t, err1 == nil, err2 == nil)
		require.Equal(t, one, two)
	})
}

// TestOrdinaryNursingFinishes: from any state reached by random inputs, doing what the
// Tasks say ends the plan, unless it was stopped or the patient's data forbid it.
func TestOrdinaryNursingFinishes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := newWard(t)
		for range rapid.IntRange(0, 25).Draw(t, "acts") {
			w.act(t)
		}
		for range 400 {
			if w.e.Plan.Status == workflow.PlanCompleted || w.e.Plan.Status == workflow.PlanRevoked {
				return
			}
			w.nurse(t)
		}
		t.Fatalf("ordinary nursing does not finish: %s", openTasks(&w.e))
	})
}

func openTasks(e *workflow.Episode) string {
	var text string
	for _, task := range e.Tasks {
		if !task.Status.Finished() {
			text += "\n" + taskLine(task)
		}
	}
	return text
}

// nurse does the most urgent thing that is somebody's turn, or waits.
func (w *ward) nurse(t *rapid.T) {
	w.now = w.now.Add(2 * time.Minute)
	w.step(t, workflow.Elapsed{Stamp: w.stamp()})
	if w.e.Plan.Status == workflow.PlanOnHold {
		o := workflow.Order{ID: fmt.Sprintf("o%d", w.n), Code: workflow.OrderResume, Given: w.now, Recorded: w.now, Reason: "reason", By: "clinician"}
		w.step(t, workflow.Charted{Stamp: w.stamp(), Orders: []workflow.Order{o}})
		return
	}
	for _, task := range w.e.Tasks {
		if task.Status.Turn() && (task.Due.IsZero() || !task.Due.After(w.now.Add(5*time.Minute)) || task.Key.Code == workflow.ClinicianReview) {
			w.do(t, task)
			return
		}
	}
	w.wait(t, 3*time.Minute)
}

// do charts what a Task asks for, all well, and completes it if need be.
func (w *ward) do(t *rapid.T, task workflow.Task) {
	in := workflow.Charted{Stamp: w.stamp()}
	for i, code := range task.Lacks() {
		in.Findings = append(in.Findings, w.well(task, code, i))
	}
	if task.Status == workflow.TaskInProgress || len(task.Required) == 0 {
		in.Updates = []workflow.TaskUpdate{{Task: task.Key, Status: workflow.TaskCompleted}}
	}
	_, _, err := workflow.Step(w.e, in)
	require.NoError(t, err, "doing what %s asks is refused", task.Key)
	w.step(t, in)
	done := w.e.Task(task.Key)
	require.True(t, done == nil || done.Status.Finished(), "doing what it asks does not finish %s", taskLine(*done))
}

func (w *ward) well(task workflow.Task, code workflow.FindingCode, entry int) workflow.Finding {
	w.n++
	f := workflow.Finding{ID: fmt.Sprintf("f%d", w.n), Code: code, Found: w.now, Recorded: w.now, Entry: entry, By: "nurse"}
	amount := workflow.MustDecimal("0")
	book := w.e.Plan.Summary.Book
	switch code {
	case workflow.Bleeding:
		f.Answer = workflow.Haemostasis
	case workflow.Patency:
		f.Answer, f.Method = workflow.Patent, workflow.Doppler
	case workflow.Hand, workflow.Pulse:
		f.Answer = workflow.Normal
	case workflow.Haematoma:
		f.Answer = workflow.Absent
	case workflow.Condition:
		f.Answer = workflow.Well
	case workflow.Band:
		f.Answer = workflow.BandOn
		if task.Key.Code == workflow.BandRemoval {
			f.Answer = workflow.BandOff
		}
	case workflow.CompressionStart:
		f.Instant = w.now.Add(-time.Hour)
	case workflow.AirVolume:
		amount = workflow.MustDecimal("6")
		if book.State == workflow.BookKnown {
			amount = book.Volume
		}
		f.Amount = &amount
	case workflow.AirRemoved, workflow.AirAdded:
		if task.Planned != nil {
			amount = *task.Planned
		}
		f.Amount = &amount
	case workflow.Pain, workflow.Pressure, workflow.Anticoagulant, workflow.OtherFinding:
	}
	return f
}

// TestForecast: no step is planned earlier than the protocol allows (design rule 12).
func TestForecast(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := newWard(t)
		for range rapid.IntRange(1, 20).Draw(t, "acts") {
			w.act(t)
		}
		if slices.ContainsFunc(w.e.Orders, func(o workflow.Order) bool { return o.Code == workflow.OrderOverrideTime }) {
			return
		}
		start := w.e.Plan.Start
		for _, task := range w.e.Tasks {
			if task.Key.Code != workflow.ReleaseStep || task.Status.Finished() || task.NotBefore.IsZero() || len(task.Outputs) > 0 {
				continue
			}
			require.False(t, task.NotBefore.Before(start.Add(w.e.Protocol.FirstRelease)), "%s is planned before the first release", task.Key)
		}
	})
}
