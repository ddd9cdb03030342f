package workflow

import (
	"slices"
	"time"
)

// planLateness marks what is late, lets claims of late Tasks lapse, and calls up the
// line: the nurse in charge first, then a clinician. It never ends a Task and never
// changes what is planned.
func (m *machine) planLateness() {
	for i := range m.e.Tasks {
		t := &m.e.Tasks[i]
		if t.Status.Finished() || !m.wanted[t.Key] || t.Key.Code == ClinicianReview {
			continue
		}
		if t.Due.IsZero() || !t.Status.Turn() && !heldForEvidence(t) {
			t.Lateness = InTime
			continue
		}
		m.mark(t)
	}
}

// heldForEvidence reports whether a Task waits for nothing but somebody's look.
func heldForEvidence(t *Task) bool {
	return t.Status == TaskOnHold && len(t.Withheld) > 0 &&
		!slices.ContainsFunc(t.Withheld, func(w Withheld) bool { return !w.Evidence })
}

func (m *machine) mark(t *Task) {
	grace := m.v.p.Grace[t.Key.Code]
	overdue := t.Due.Add(grace.Overdue)
	soon := t.Due.Add(-m.v.p.DueSoon)
	was := t.Lateness
	switch {
	case !m.now.Before(overdue):
		m.markOverdue(t, was)
	case !m.now.Before(soon):
		t.Lateness = DueSoon
	default:
		t.Lateness = InTime
	}
	m.wakeAt(soon)
	m.wakeAt(overdue)
	m.call(t, NurseInCharge, grace.Nurse)
	m.call(t, Clinician, grace.Clinician)
}

// markOverdue marks a Task overdue. A claim from before lapses; one made since shows
// that a named person took it.
func (m *machine) markOverdue(t *Task, was Lateness) {
	t.Priority = t.Priority.atLeast(Urgent)
	late := was == Overdue || was == Escalated
	if !late && t.Status == TaskInProgress && len(t.Lacks()) > 0 {
		t.Status, t.Owner = TaskReady, ""
		t.note(m.now, "the claim lapsed when the Task became overdue")
	}
	t.Lateness = Overdue
	if late && t.Owner != "" && len(t.Called) > 0 {
		t.Lateness = Escalated
	}
}

// call calls the level once the Task is late by the grace; zero grace never calls.
func (m *machine) call(t *Task, level Level, grace time.Duration) {
	if grace == 0 {
		return
	}
	at := t.Due.Add(grace)
	m.wakeAt(at)
	if m.now.Before(at) {
		return
	}
	t.Priority = t.Priority.atLeast(ASAP)
	if slices.ContainsFunc(t.Called, func(c Call) bool { return c.Level >= level }) {
		return
	}
	t.Called = append(t.Called, Call{Level: level, At: m.now})
	switch level {
	case NurseInCharge:
		t.note(m.now, "overdue: the nurse in charge is to be told")
	case Clinician:
		t.note(m.now, "overdue: a clinician is to be told")
	case NobodyCalled:
	}
}
