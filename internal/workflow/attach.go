package workflow

import (
	"fmt"
	"slices"
	"time"
)

// attach counts a finding for the Tasks that ask for it. An act with air counts for one
// Task; what was seen counts for every Task whose turn it is: of each code of checks the
// earliest, and all changes of air that still wait for their look.
func (m *machine) attach(f *Finding) {
	if key, ok := m.explicit[f.ID]; ok {
		if t := m.e.Task(key); t != nil && !t.Status.Finished() && m.asks(t, f) {
			m.give(t, f)
		}
		if isAct(f.Code) {
			return
		}
	}
	switch f.Code {
	case AirRemoved:
		if t := m.titrating(); t != nil && f.Real() {
			m.titrate(t, f)
			return
		}
		if t := m.airTask(f, ReleaseStep, EaseCompression); t != nil {
			m.give(t, f)
		}
	case AirAdded:
		if t := m.titrating(); t != nil && f.Real() {
			m.titrate(t, f)
		}
		if t := m.airTask(f, RestoreCompression); t != nil {
			m.give(t, f)
		}
	case Band:
		m.attachBand(f)
	case Bleeding, Patency, Pulse, AirVolume, CompressionStart, Haematoma, Hand, Condition,
		Pain, Pressure, Anticoagulant, OtherFinding:
		m.attachSeen(f)
	}
}

func isAct(c FindingCode) bool { return c == AirRemoved || c == AirAdded }

// airTask finds the Task that an act with air belongs to: of those whose turn it is the
// first in order of the codes, else the next step of the road, done early or against the
// plan.
func (m *machine) airTask(f *Finding, codes ...TaskCode) *Task {
	for _, turn := range []bool{true, false} {
		for _, code := range codes {
			for i := range m.e.Tasks {
				t := &m.e.Tasks[i]
				open := t.Key.Code == code && !t.Status.Finished() && !t.Has(f.Code)
				if open && t.Status.Turn() == turn && (turn || code != EaseCompression) {
					return t
				}
			}
		}
	}
	return nil
}

func (m *machine) attachBand(f *Finding) {
	for i := range m.e.Tasks {
		t := &m.e.Tasks[i]
		if t.Status.Finished() {
			continue
		}
		if t.Key.Code == ConfirmBandState || t.Key.Code == BandRemoval && f.Answer == BandOff {
			m.noteRemoval(t, f.When())
			m.give(t, f)
		}
	}
}

// noteRemoval says how much air a band held when it came off, and when it was on for a
// short time only: haematomas are more frequent then.
func (m *machine) noteRemoval(t *Task, at time.Time) {
	if t.Key.Code != BandRemoval {
		return
	}
	v := m.v
	if book := v.ledger.book(); book.State != BookKnown || book.Volume.Sign() != 0 {
		t.note(m.now, fmt.Sprintf("the book at that time: %s mL, %s", book.Volume, book.State))
	}
	if on := at.Sub(v.worn()); on < v.p.ShortBandTime {
		t.note(m.now, fmt.Sprintf("the band was on for %s only: look out for a haematoma", span(on)))
	}
}

func (m *machine) attachSeen(f *Finding) {
	seen := map[TaskCode]bool{}
	for i := range m.e.Tasks {
		t := &m.e.Tasks[i]
		if seen[t.Key.Code] || !t.Status.Turn() || !m.asks(t, f) {
			continue
		}
		seen[t.Key.Code] = t.act() == ""
		m.give(t, f)
	}
}

// asks reports whether a Task asks for the finding and the finding lies in its window.
// For a Task that changes air the window of a look opens at the change.
func (m *machine) asks(t *Task, f *Finding) bool {
	if !slices.Contains(t.Required, f.Code) || f.When().Before(t.Window) {
		return false
	}
	if t.unfit(f) != "" {
		return false
	}
	if act := t.act(); act != "" && f.Code != act {
		return t.Has(act) || !slices.Contains(t.Required, act)
	}
	return true
}

// unfit says why a finding can't complete the Task, "" if it can: a test must be able to
// show an open artery, and what ends with the site dry is not done by finding blood.
func (t *Task) unfit(f *Finding) string {
	dry := t.Key.Code == ControlBleeding || t.Key.Code == DischargeCheck
	switch {
	case !f.Real():
		return ""
	case f.Code == Patency && !f.Method.ShowsPatency():
		return fmt.Sprintf("a test by %s can't show an open artery, so it completes no Task; it is kept as a finding", f.Method)
	case dry && f.Code == Bleeding && f.Answer != Haemostasis:
		return fmt.Sprintf("%s is done when the site is dry; the finding is kept", t.Key)
	}
	return ""
}

// act is the change of air that a Task is about, "" for checks.
func (t *Task) act() FindingCode {
	switch t.Key.Code {
	case ReleaseStep, EaseCompression:
		return AirRemoved
	case RestoreCompression:
		return AirAdded
	case ArrivalCheck, RecordBandVolume, PatencyCheck, SiteCheck, BandRemoval, Dressing, PostRemovalCheck,
		ControlBleeding, ConfirmBandState, SettleVolume, DischargeCheck, ClinicianReview,
		Titration, PatientTeaching, UlnarCompression:
		return ""
	}
	return ""
}

// give adds the finding to the Task's outputs; a newer finding of the same code takes
// the older one's place. A Task that has all it asks for is completed, a claimed one
// only by an update.
func (m *machine) give(t *Task, f *Finding) {
	t.Outputs = slices.DeleteFunc(t.Outputs, func(o Output) bool { return o.Code == f.Code })
	t.Outputs = append(t.Outputs, Output{Code: f.Code, Finding: f.ID, Missing: f.Missing})
	if t.Start.IsZero() {
		t.Start = f.When()
	}
	if f.Code == t.act() || f.Code == Band {
		m.deviate(t, f.When())
		t.deviateBy(f)
		t.PlannedStart, t.PlannedDue = t.NotBefore, t.Due
		t.Window = f.When()
		if t.Status != TaskInProgress {
			t.Status = TaskReady
		}
		if !f.Real() && f.Code == t.act() {
			m.complete(t, f.When()) // charted as not done: there is nothing to look after
			return
		}
	}
	if t.Status == TaskInProgress || len(t.Lacks()) > 0 {
		return
	}
	m.complete(t, f.When())
}

// complete ends a Task with success at the instant at which its last finding was made.
func (m *machine) complete(t *Task, at time.Time) {
	if t.Deviation != "" {
		t.note(m.now, t.Deviation)
		t.Deviation = ""
	}
	if !t.PlannedDue.IsZero() {
		t.NotBefore, t.Due = t.PlannedStart, t.PlannedDue
	}
	t.answer(m.doneBy(t), m.now)
	t.end(TaskCompleted, at)
}

// doneBy is who found what completed the Task last, "" when not told.
func (m *machine) doneBy(t *Task) string {
	for i := len(t.Outputs) - 1; i >= 0; i-- {
		if f := m.find(t.Outputs[i].Finding); f != nil {
			return f.By
		}
	}
	return t.Owner
}

// deviate keeps how an act departs from the plan: planned stands beside actual.
func (m *machine) deviate(t *Task, at time.Time) {
	switch {
	case t.Status == TaskOnHold && len(t.Withheld) > 0:
		t.Deviation = "done while withheld: " + t.Withheld[0].Reason
	case !t.NotBefore.IsZero() && at.Before(t.NotBefore):
		t.Deviation = fmt.Sprintf("done %s early", span(t.NotBefore.Sub(at)))
	case !t.Due.IsZero() && at.After(t.Due.Add(m.v.p.Grace[t.Key.Code].Overdue)):
		t.Deviation = fmt.Sprintf("done %s after it was due", span(at.Sub(t.Due)))
	}
}

// deviateBy keeps how much more or less air went out or in than was planned.
func (t *Task) deviateBy(f *Finding) {
	if t.Planned == nil || f.Amount == nil || f.Amount.Cmp(*t.Planned) == 0 {
		return
	}
	if t.Deviation != "" {
		t.Deviation += "; "
	}
	t.Deviation += fmt.Sprintf("%s mL instead of %s mL", f.Amount, t.Planned)
}

// span is a duration as a person says it, rounded to whole minutes.
func span(d time.Duration) string {
	return fmt.Sprintf("%d min", int64(d.Round(time.Minute)/time.Minute))
}
