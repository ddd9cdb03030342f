package workflow

import (
	"slices"
	"strings"
	"time"
)

// update does to a Task what a client did to it. Claims are information, never a lock;
// the service alone moves a Task between draft, ready and on-hold.
func (m *machine) update(u TaskUpdate) *Refusal {
	t := m.e.Task(u.Task)
	if t == nil {
		return refuse(RefusedNotFound, u.Entry, "there is no Task %s in this episode", u.Task)
	}
	if t.Status.Finished() {
		return finishedUpdate(t, u)
	}
	for _, o := range u.Outputs {
		if r := m.output(t, o, u.Entry); r != nil {
			return r
		}
	}
	if u.Owner != nil {
		t.Owner = *u.Owner
	}
	if !u.Start.IsZero() {
		t.Start = u.Start
	}
	t.Notes = append(t.Notes, u.Notes...)
	if u.Status != "" && u.Status != TaskReady || u.Owner != nil && *u.Owner != "" {
		t.answer(firstName(t.Owner, u.By), m.now)
	}
	return m.move(t, u)
}

// finishedUpdate takes notes on a finished Task and a repeat of its end; else a
// finished Task stays as it is.
func finishedUpdate(t *Task, u TaskUpdate) *Refusal {
	if u.Status != "" && u.Status != t.Status {
		return refuse(RefusedRule, u.Entry, "Task %s is %s and stays so; what has changed since is a new Task", t.Key, t.Status)
	}
	t.Notes = append(t.Notes, u.Notes...)
	return nil
}

// output adds a finding that the client says belongs to the Task.
func (m *machine) output(t *Task, o Output, entry int) *Refusal {
	f := m.find(o.Finding)
	switch {
	case f == nil:
		return refuse(RefusedNotFound, entry, "output names a finding that this episode does not have")
	case t.hasFinding(f.ID):
		return nil
	case !m.e.ofWrist(f.Side):
		return refuse(RefusedRule, entry, "the finding is of the other wrist: it is a comparison and completes nothing")
	case slices.Contains(t.Required, f.Code) && f.When().Before(t.Window):
		return refuse(RefusedRule, entry, "the finding was made before the Task's time: it is kept, and completes nothing")
	}
	if why := t.unfit(f); why != "" {
		return refuse(RefusedRule, entry, "%s", why)
	}
	t.Outputs = append(t.Outputs, Output{Code: f.Code, Finding: f.ID, Missing: f.Missing})
	return nil
}

func (t *Task) hasFinding(id string) bool {
	for _, o := range t.Outputs {
		if o.Finding == id {
			return true
		}
	}
	return false
}

// move changes the status as the client asked, if it may.
func (m *machine) move(t *Task, u TaskUpdate) *Refusal {
	at := u.End
	if at.IsZero() || at.After(m.now) {
		at = m.now
	}
	switch {
	case u.Status == "" || u.Status == t.Status:
		return nil
	case u.Status == TaskInProgress && t.Status == TaskReady:
		t.Status, t.Start = TaskInProgress, firstOf(t.Start, u.Start, m.now)
		return nil
	case u.Status == TaskReady && t.Status == TaskInProgress:
		t.Status = TaskReady
		if u.Owner == nil { // who hands it to somebody names them
			t.Owner = ""
		}
		return nil
	case u.Status == TaskCompleted:
		return m.completeBy(t, u, at)
	case u.Status == TaskRejected || u.Status == TaskCancelled:
		if u.Reason == "" {
			return refuse(RefusedRequired, u.Entry, "Task %s can't be %s without a statusReason", t.Key, u.Status)
		}
		t.end(u.Status, at)
		t.StatusReason, t.Skipped = u.Reason, true
		m.skip(t, at)
		return nil
	}
	return refuse(RefusedRule, u.Entry,
		"Task %s can't go from %s to %s: allowed are ready to in-progress and back, and from any open state to completed, rejected or cancelled",
		t.Key, t.Status, u.Status)
}

func (m *machine) completeBy(t *Task, u TaskUpdate, at time.Time) *Refusal {
	if lacks := t.Lacks(); len(lacks) > 0 {
		names := make([]string, len(lacks))
		for i, c := range lacks {
			names[i] = string(c)
		}
		return refuse(RefusedRule, u.Entry, "Task %s can't be completed without %s; chart it, or chart it as not done",
			t.Key, strings.Join(names, ", "))
	}
	m.deviate(t, at)
	t.Start = firstOf(t.Start, at)
	m.complete(t, at)
	if u.Reason != "" {
		t.StatusReason = u.Reason
	}
	return nil
}

// skip makes the next step wait its interval when one was refused or skipped.
func (m *machine) skip(t *Task, at time.Time) {
	if t.Key.Code == ReleaseStep {
		m.e.Skips = append(m.e.Skips, at)
	}
}

func firstName(names ...string) string {
	for _, n := range names {
		if n != "" {
			return n
		}
	}
	return ""
}

func firstOf(times ...time.Time) time.Time {
	for _, t := range times {
		if !t.IsZero() {
			return t
		}
	}
	return time.Time{}
}
