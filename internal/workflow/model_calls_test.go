package workflow_test

import (
	"fmt"
	"slices"
	"time"

	"fhirsvc/internal/workflow"
)

// callRules: design rules 12 and 13, and the calls of rule 4.
func callRules() []rule {
	return []rule{
		{12, "time alone ends nothing, enlarges nothing and brings nothing forward", timeActsOnNothing},
		{12, "no step is larger or sooner than the protocol says", stepsAsApproved},
		{4, "what is late is marked and called up the line", lateIsCalled},
		{4, "it asks to be woken for all that time alone changes", wakesInTime},
		{13, "each level is called once, and nobody before the time", calledOnce},
		{13, "an unanswered review is called again, not more often than its interval", reviewsRemind},
		{13, "a review that nobody has answered stays", reviewsStay},
		{13, "what is worse is asked more urgently", worseIsUrgent},
		{13, "a call is open until the Task is taken up or ends", callsAreAnswered},
	}
}

func timeActsOnNothing(m *move) string {
	if _, ok := m.in.(workflow.Elapsed); !ok {
		return ""
	}
	for _, old := range m.before.Tasks {
		now := m.after.Task(old.Key)
		switch {
		case now == nil || old.Status.Finished():
		case now.Status.Finished():
			return fmt.Sprintf("%s became %s by time alone", old.Key, now.Status)
		case old.Planned != nil && now.Planned != nil && old.Planned.Less(*now.Planned):
			return fmt.Sprintf("%s grew from %s to %s mL by time alone", old.Key, old.Planned, now.Planned)
		case old.Key.Code == workflow.ReleaseStep && now.NotBefore.Before(old.NotBefore):
			return fmt.Sprintf("%s was brought forward by time alone", old.Key)
		}
	}
	return ""
}

// wakesInTime: before the instant that the episode asked for, time changes nothing that a
// person sees but forecasts.
func wakesInTime(m *move) string {
	if _, ok := m.in.(workflow.Elapsed); !ok || m.err != nil || !m.wake.IsZero() && !m.after.Last.Before(m.wake) {
		return ""
	}
	for _, eff := range m.effects {
		switch eff := eff.(type) {
		case workflow.PutFlag:
			return fmt.Sprintf("flag %s changes before the wake", eff.Flag.Code)
		case workflow.PutTask:
			t, old := eff.Task, m.before.Task(eff.Task.Key)
			if old == nil || old.Status != t.Status || old.Lateness != t.Lateness || len(old.Called) != len(t.Called) || len(old.Withheld) != len(t.Withheld) {
				return fmt.Sprintf("%s changes to %s %s before the wake", t.Key, t.Status, t.Lateness)
			}
		case workflow.PutIssue, workflow.PutNotice:
			return "a contradiction or a call changes before the wake"
		case workflow.PutPlan, workflow.PutTimeline, workflow.WakeAt:
		}
	}
	return ""
}

func stepsAsApproved(m *move) string {
	var last *workflow.Task
	for _, t := range m.open(workflow.ReleaseStep) {
		if len(t.Outputs) > 0 || t.Planned == nil {
			continue
		}
		first := last == nil
		ordered := first && ordersVolume(m.after)
		if m.p.Step.Less(*t.Planned) && !ordered {
			return fmt.Sprintf("%s takes %s mL, a step is %s", t.Key, t.Planned, m.p.Step)
		}
		if !first && t.NotBefore.Before(last.NotBefore.Add(m.p.Interval)) {
			return fmt.Sprintf("%s is from %s, %s from %s", last.Key, clock(last.NotBefore), t.Key, clock(t.NotBefore))
		}
		last = &t
	}
	return ""
}

func ordersVolume(e *workflow.Episode) bool {
	for _, o := range e.Orders {
		if o.Code == workflow.OrderOverrideVolume {
			return true
		}
	}
	return false
}

func lateIsCalled(m *move) string {
	now := m.after.Last
	for _, t := range m.after.Tasks {
		grace := m.grace(t.Key.Code)
		if !t.Status.Turn() || t.Due.IsZero() || t.Key.Code == workflow.ClinicianReview {
			continue
		}
		late := !now.Before(t.Due.Add(grace.Overdue))
		if late != (t.Lateness == workflow.Overdue || t.Lateness == workflow.Escalated) {
			return fmt.Sprintf("%s due %s is %q", t.Key, clock(t.Due), t.Lateness)
		}
		if soon := !now.Before(t.Due.Add(-m.p.DueSoon)); !late && soon != (t.Lateness == workflow.DueSoon) {
			return fmt.Sprintf("%s due %s is %q", t.Key, clock(t.Due), t.Lateness)
		}
		if late && (t.Priority == workflow.Routine || t.Priority == "") {
			return fmt.Sprintf("%s is overdue and routine", t.Key)
		}
		for level, after := range map[workflow.Level]time.Duration{workflow.NurseInCharge: grace.Nurse, workflow.Clinician: grace.Clinician} {
			if after > 0 && !now.Before(t.Due.Add(after)) && !called(t, level) {
				return fmt.Sprintf("%s is late and level %d was not called", t.Key, level)
			}
		}
	}
	return ""
}

func (m *move) grace(code workflow.TaskCode) workflow.Grace {
	if m.after.Protocol != nil {
		return m.p.Grace[code]
	}
	switch code { //nolint:exhaustive // there are no others without a protocol
	case workflow.RestoreCompression, workflow.ControlBleeding:
		return workflow.Grace{Overdue: 2 * time.Minute, Nurse: 5 * time.Minute, Clinician: 10 * time.Minute}
	case workflow.SiteCheck, workflow.ConfirmBandState:
		return workflow.Grace{Overdue: 10 * time.Minute, Nurse: 20 * time.Minute}
	case workflow.PostRemovalCheck:
		return workflow.Grace{Overdue: 10 * time.Minute, Nurse: 30 * time.Minute}
	}
	return workflow.Grace{}
}

func called(t workflow.Task, level workflow.Level) bool {
	for _, c := range t.Called {
		if c.Level >= level {
			return true
		}
	}
	return false
}

func calledOnce(m *move) string {
	for _, t := range m.after.Tasks {
		for i, c := range t.Called {
			switch {
			case t.Key.Code == workflow.ClinicianReview:
			case i > 0 && c.Level <= t.Called[i-1].Level:
				return fmt.Sprintf("%s called level %d again", t.Key, c.Level)
			}
			if c.At.After(m.after.Last) {
				return fmt.Sprintf("%s was called in the future", t.Key)
			}
		}
		old := m.before.Task(t.Key)
		fresh := len(t.Called) > 0 && (old == nil || len(old.Called) < len(t.Called))
		if fresh && t.Key.Code != workflow.ClinicianReview && m.after.Last.Before(t.Due) {
			return fmt.Sprintf("%s called before it was due", t.Key)
		}
	}
	return ""
}

func callsAreAnswered(m *move) string {
	for _, t := range m.after.Tasks {
		for _, c := range t.Called {
			switch {
			case t.Status.Finished() && c.Answered.IsZero():
				return fmt.Sprintf("%s is %s and a call about it is open", t.Key, t.Status)
			case !t.Status.Finished() && !c.Answered.IsZero() && c.Answered.Before(c.At):
				return fmt.Sprintf("a call about %s was answered before it was made", t.Key)
			}
		}
	}
	return ""
}

func reviewEvery(p workflow.Priority) time.Duration {
	switch p {
	case workflow.Stat, workflow.ASAP:
		return 5 * time.Minute
	case workflow.Urgent:
		return 15 * time.Minute
	case workflow.Routine:
	}
	return time.Hour
}

func reviewsRemind(m *move) string {
	for _, t := range m.open(workflow.ClinicianReview) {
		if t.Status == workflow.TaskInProgress {
			continue
		}
		n := len(t.Called)
		if n == 0 {
			return fmt.Sprintf("%s was not called", t.Key)
		}
		every := reviewEvery(t.Priority)
		if !m.after.Last.Before(t.Called[n-1].At.Add(every)) {
			return fmt.Sprintf("%s was last called %s and is not called again", t.Key, clock(t.Called[n-1].At))
		}
		old := m.before.Task(t.Key)
		if old != nil && len(old.Called) < n && n > 1 && t.Called[n-1].At.Sub(t.Called[n-2].At) < min(every, reviewEvery(old.Priority)) {
			return fmt.Sprintf("%s was called again after %s", t.Key, t.Called[n-1].At.Sub(t.Called[n-2].At))
		}
	}
	return ""
}

// reviewsStay: a review ends by a client's hand alone.
func reviewsStay(m *move) string {
	for _, old := range m.before.Tasks {
		now := m.after.Task(old.Key)
		if old.Key.Code != workflow.ClinicianReview || old.Status.Finished() || now == nil || !now.Status.Finished() {
			continue
		}
		if in, ok := m.in.(workflow.Charted); !ok || len(in.Updates)+len(in.Orders) == 0 {
			return fmt.Sprintf("%s became %s and nobody answered it", old.Key, now.Status)
		}
	}
	return ""
}

// worseIsUrgent: the findings that can't wait have a review of their own priority, open
// or decided since.
func worseIsUrgent(m *move) string {
	for _, x := range []struct {
		code workflow.FindingCode
		want workflow.Priority
	}{
		{workflow.Condition, workflow.Stat}, {workflow.Hand, workflow.Stat}, {workflow.Pulse, workflow.Urgent},
	} {
		f := m.w.abnormal(x.code)
		if f == nil || f.Code == workflow.Hand && uncomfortable(f) || m.reviewed(string(x.code), x.want, f.When()) {
			continue
		}
		return fmt.Sprintf("%s=%s of %s: no %s review is open or was made since", f.Code, f.Answer, clock(f.When()), x.want)
	}
	if f := m.w.abnormal(workflow.Hand); f != nil && uncomfortable(f) && !m.after.Last.Before(f.When().Add(m.p.EaseRetest)) && !m.asked(string(workflow.Hand)) {
		return fmt.Sprintf("the hand is not normal since %s and nobody is told", clock(f.When()))
	}
	if f := m.w.last(workflow.Haematoma); f != nil && f.Answer == workflow.Present && f.Grade >= 3 &&
		!m.reviewed(string(workflow.Haematoma), workflow.Stat, f.When()) {
		return fmt.Sprintf("a haematoma of grade %d has no stat review", f.Grade)
	}
	if f := m.w.last(workflow.Pain); f != nil && !f.Amount.Less(workflow.MustDecimal("7")) && !m.asked(string(workflow.Pain)) {
		return fmt.Sprintf("pain of %s and nobody is told", f.Amount)
	}
	if f := m.w.last(workflow.Pressure); f != nil && f.Amount.Less(workflow.MustDecimal("90")) && !m.asked(string(workflow.Pressure)) {
		return fmt.Sprintf("a pressure of %s and nobody is told", f.Amount)
	}
	if f := m.w.abnormal(workflow.Haematoma); f != nil && f.Amount != nil && workflow.MustDecimal("10").Less(*f.Amount) &&
		!m.reviewed(string(workflow.Haematoma), workflow.Stat, f.When()) {
		return "a haematoma above 10 cm has no stat review"
	}
	return ""
}

// uncomfortable is a hand whose signs are told and call for less pressure, not at once for
// a clinician.
func uncomfortable(f *workflow.Finding) bool {
	has := func(s workflow.HandSign) bool { return slices.Contains(f.Signs, s) }
	return len(f.Signs) > 0 && !has(workflow.HandWeak) && !has(workflow.HandPain) &&
		(!has(workflow.HandCold) || !has(workflow.HandNumb) || !has(workflow.HandSlowRefill))
}

func (m *move) reviewed(cause string, want workflow.Priority, since time.Time) bool {
	for _, t := range m.after.Tasks {
		if t.Key.Code == workflow.ClinicianReview && t.Key.Purpose == cause && t.Priority == want && (!t.Status.Finished() || !t.End.Before(since)) {
			return true
		}
	}
	return false
}
