package workflow_test

import (
	"errors"
	"fmt"
	"reflect"
	"slices"
	"time"

	"fhirsvc/internal/workflow"
)

// recordRules: design rules 6 to 10, as far as they can be seen without a store.
func recordRules() []rule {
	return []rule{
		{6, "a finished Task stays as it was", finishedStays},
		{6, "checks roll, they are not stacked", oneOfAKind},
		{7, "the same input gives the same answer and leaves the state before alone", pure},
		{8, "what is stored is what the effects order", effectsTell},
		{9, "a step that was taken keeps its plan and its time", plannedBesideActual},
		{10, "what is only against the plan is stored", nothingRefused},
		{10, "what was done early or withheld says so", deviationShown},
	}
}

func finishedStays(m *move) string {
	for _, old := range m.before.Tasks {
		now := m.after.Task(old.Key)
		if now == nil {
			return fmt.Sprintf("%s is gone", old.Key)
		}
		if !old.Status.Finished() {
			continue
		}
		was, is := old, *now
		was.Changed, is.Changed, was.Notes, is.Notes = time.Time{}, time.Time{}, nil, nil
		if !sameEnd(was, is) {
			return fmt.Sprintf("%s was finished and has changed", old.Key)
		}
	}
	return ""
}

func sameEnd(a, b workflow.Task) bool {
	return a.Status == b.Status && a.StatusReason == b.StatusReason && a.End.Equal(b.End) && a.Start.Equal(b.Start) &&
		slices.Equal(a.Outputs, b.Outputs) && a.Owner == b.Owner && slices.Equal(a.Called, b.Called) &&
		a.NotBefore.Equal(b.NotBefore) && a.Due.Equal(b.Due) && a.Priority == b.Priority && a.Description == b.Description
}

func oneOfAKind(m *move) string {
	open := map[string]int{}
	for _, t := range m.after.Tasks {
		name := string(t.Key.Code) + " " + t.Key.Purpose
		if !t.Status.Finished() && t.Key.Code != workflow.ReleaseStep {
			open[name]++
		}
		if open[name] > 1 {
			return name + " is stacked"
		}
	}
	return ""
}

func pure(m *move) string {
	if !m.again {
		return ""
	}
	again, effects, err := workflow.Step(*m.before, m.in)
	if (err == nil) != (m.err == nil) || !reflect.DeepEqual(again, *m.after) || len(effects) != len(m.effects) {
		return "the same input gives another answer"
	}
	return ""
}

func effectsTell(m *move) string {
	told := map[workflow.TaskKey]bool{}
	wakes := 0
	for _, eff := range m.effects {
		switch eff := eff.(type) {
		case workflow.PutTask:
			told[eff.Task.Key] = true
			if now := m.after.Task(eff.Task.Key); now == nil || now.Status != eff.Task.Status {
				return fmt.Sprintf("an effect tells another %s than is stored", eff.Task.Key)
			}
		case workflow.WakeAt:
			wakes++
			if !eff.At.IsZero() && !eff.At.After(m.after.Last) {
				return "it asks to be woken in the past"
			}
		case workflow.PutPlan, workflow.PutFlag, workflow.PutIssue, workflow.PutNotice, workflow.PutTimeline:
		}
	}
	for _, t := range m.after.Tasks {
		old := m.before.Task(t.Key)
		if (old == nil || old.Status != t.Status || old.Lateness != t.Lateness || !old.Due.Equal(t.Due)) && !told[t.Key] && m.err == nil {
			return fmt.Sprintf("%s has changed and no effect tells", t.Key)
		}
	}
	if m.err == nil && wakes != 1 {
		return fmt.Sprintf("%d orders to be woken", wakes)
	}
	return ""
}

func plannedBesideActual(m *move) string {
	for _, t := range m.after.Tasks {
		if t.Key.Code != workflow.ReleaseStep || t.Status != workflow.TaskCompleted || !m.now(t) {
			continue
		}
		old := m.before.Task(t.Key)
		if old != nil && old.Planned != nil && t.Planned == nil {
			return fmt.Sprintf("%s was taken and has lost its planned volume", t.Key)
		}
		if t.Start.IsZero() || t.End.IsZero() || !t.Has(workflow.AirRemoved) {
			return fmt.Sprintf("%s was taken and does not say when or what", t.Key)
		}
		if old != nil && len(old.Outputs) == 0 && !old.NotBefore.IsZero() && len(m.findings()) == 1 && !t.NotBefore.Equal(old.NotBefore) {
			return fmt.Sprintf("%s was planned from %s and says %s", t.Key, clock(old.NotBefore), clock(t.NotBefore))
		}
	}
	return ""
}

func (m *move) findings() []workflow.Finding {
	if in, ok := m.in.(workflow.Charted); ok {
		return in.Findings
	}
	return nil
}

// nothingRefused: what happened is always stored, unless it can't be read or placed; then
// nothing of it is. An update of a Task may be refused for what the Task lacks or where it
// stands, an order for its own values.
func nothingRefused(m *move) string {
	absurd := m.absurd()
	if m.err == nil {
		if absurd != "" {
			return "it was stored, and it is " + absurd
		}
		for _, f := range m.findings() {
			if findingOf(m.after, f.ID) == nil {
				return "a finding was not stored"
			}
		}
		return ""
	}
	var r *workflow.Refusal
	if !errors.As(m.err, &r) || r.Text == "" {
		return fmt.Sprintf("a refusal says %v", m.err)
	}
	if !reflect.DeepEqual(*m.before, *m.after) || len(m.effects) > 0 {
		return "a refused input leaves a trace"
	}
	in, ok := m.in.(workflow.Charted)
	if absurd == "" && (!ok || len(in.Updates) == 0 && len(in.Orders) == 0) {
		return fmt.Sprintf("what happened is refused: %v", m.err)
	}
	return ""
}

// absurd says what of the input can't be, "" if all can.
func (m *move) absurd() string {
	in, _ := m.in.(workflow.Charted)
	for _, f := range in.Findings {
		air := f.Code == workflow.AirVolume || f.Code == workflow.AirRemoved || f.Code == workflow.AirAdded
		switch {
		case f.Found.After(in.At.Add(workflow.ClockDifference)):
			return "of the future"
		case air && f.Real() && f.Amount == nil:
			return "without a volume"
		case f.Amount != nil && f.Amount.Sign() < 0:
			return "negative"
		case air && f.Amount != nil && m.p.DeviceMaximum.Twice().Less(*f.Amount):
			return "more than twice what the device holds"
		}
	}
	for _, w := range in.Withdrawn {
		if findingOf(m.before, w.Finding) == nil {
			return "a withdrawal of nothing"
		}
	}
	for _, o := range in.Orders {
		if o.Code == workflow.OrderPauseRelease && o.Until.Sub(o.Given) > 30*time.Minute {
			return "a pause of more than 30 min"
		}
	}
	return ""
}

func deviationShown(m *move) string {
	for _, t := range m.after.Tasks {
		old := m.before.Task(t.Key)
		if t.Key.Code != workflow.ReleaseStep || old == nil || len(old.Outputs) > 0 || !t.Has(workflow.AirRemoved) || len(m.findings()) != 1 || !m.findings()[0].Real() {
			continue
		}
		done := m.findings()[0].When()
		early := !old.NotBefore.IsZero() && done.Before(old.NotBefore)
		if (early || old.Status == workflow.TaskOnHold) && t.Deviation == "" && len(t.Notes) == len(old.Notes) {
			return fmt.Sprintf("%s (%s, from %s) was taken at %s and nothing says so", t.Key, old.Status, clock(old.NotBefore), clock(done))
		}
	}
	return ""
}
