package workflow

import (
	"slices"
	"time"
)

// want is a Task as the plan would have it now.
type want struct {
	key       TaskKey
	status    TaskStatus // draft, ready or on-hold
	priority  Priority
	text      string
	notBefore time.Time
	due       time.Time
	required  []FindingCode
	planned   *Decimal
	book      *Book
	withheld  []Withheld
	window    time.Time
	offered   bool // an act that may be withheld: its due time waits for it
}

// put brings the Task of w into the plan, or in line with it. Its key is that of an open
// Task or of a new one, so that what is finished stays so; a claimed one stays claimed while
// it is its turn.
func (m *machine) put(w want) *Task {
	m.wanted[w.key] = true
	t := m.e.Task(w.key)
	if t == nil {
		m.e.Tasks = append(m.e.Tasks, Task{Key: w.key, Authored: m.now, Status: w.status, Window: w.window})
		t = &m.e.Tasks[len(m.e.Tasks)-1]
	}
	if w.offered && w.status == TaskReady {
		w.due = m.dueOnOffer(t, w)
	}
	if t.Status != TaskInProgress || w.status != TaskReady {
		t.Status = w.status
	}
	t.Priority = w.priority
	t.Description, t.NotBefore, t.Due = w.text, w.notBefore, w.due
	t.Required, t.Planned, t.Book, t.Withheld = w.required, w.planned, w.book, w.withheld
	t.StatusReason = ""
	if len(w.withheld) > 0 {
		t.StatusReason = w.withheld[0].Reason
	}
	if len(t.Outputs) == 0 {
		t.Window = w.window
	} else if t.Status == TaskReady && len(t.Lacks()) == 0 {
		m.complete(t, m.lastFound(t)) // it asks for less than it did, or was given back with all there
	}
	return t
}

// lastFound is when the last finding of the Task was made.
func (m *machine) lastFound(t *Task) time.Time {
	var last time.Time
	for _, o := range t.Outputs {
		last = later(last, m.foundAt(o.Finding))
	}
	return last
}

// foundAt is when the finding was made.
func (m *machine) foundAt(id string) time.Time { return m.find(id).When() }

// find gives the finding, nil if there is none.
func (m *machine) find(id string) *Finding {
	if i := slices.IndexFunc(m.e.Findings, func(f Finding) bool { return f.ID == id }); i >= 0 {
		return &m.e.Findings[i]
	}
	return nil
}

// dueOnOffer is when an offered act is due: as planned, but when it was withheld the
// nurse has as much time as if it had been offered at its earliest.
func (m *machine) dueOnOffer(t *Task, w want) time.Time {
	switch {
	case t.Status == TaskOnHold:
		return later(w.due, m.at.Add(w.due.Sub(w.notBefore)))
	case t.Status.Turn() && t.NotBefore.Equal(w.notBefore):
		return later(w.due, t.Due)
	}
	return w.due
}

// open gives the unfinished Task of a code and purpose, nil if there is none.
func (m *machine) open(code TaskCode, purpose string) *Task {
	for i := range m.e.Tasks {
		t := &m.e.Tasks[i]
		if t.Key.Code == code && t.Key.Purpose == purpose && !t.Status.Finished() {
			return t
		}
	}
	return nil
}

// last gives the Task of a code that was made last, nil if there is none.
func (m *machine) last(code TaskCode) *Task {
	for i := len(m.e.Tasks) - 1; i >= 0; i-- {
		if m.e.Tasks[i].Key.Code == code {
			return &m.e.Tasks[i]
		}
	}
	return nil
}

// next is the key of the one open Task of a code and purpose, or of a new one.
func (m *machine) next(code TaskCode, purpose string) TaskKey {
	if t := m.open(code, purpose); t != nil {
		return t.Key
	}
	return TaskKey{Code: code, Purpose: purpose, Ordinal: m.count(code, purpose) + 1}
}

// count is how many Tasks of a code and purpose there have been.
func (m *machine) count(code TaskCode, purpose string) int {
	n := 0
	for i := range m.e.Tasks {
		if m.e.Tasks[i].Key.Code == code && m.e.Tasks[i].Key.Purpose == purpose {
			n++
		}
	}
	return n
}

// finishedAt is when the last Task of a code was completed, zero if none was.
func (m *machine) finishedAt(code TaskCode) time.Time {
	var last time.Time
	for i := range m.e.Tasks {
		if m.e.Tasks[i].Key.Code == code && m.e.Tasks[i].Status == TaskCompleted {
			last = later(last, m.e.Tasks[i].End)
		}
	}
	return last
}

// sweep cancels the open Tasks that the plan no longer has; what this step alone thought
// of is forgotten.
func (m *machine) sweep() {
	kept := m.e.Tasks[:0]
	for i, t := range m.e.Tasks {
		if !t.Status.Finished() && !m.wanted[t.Key] {
			if i >= m.existing && len(t.Outputs) == 0 {
				continue
			}
			t.answer("", m.now) // nothing is asked any more
			t.end(TaskCancelled, m.now)
			t.StatusReason = m.surplus(t.Key.Code)
		}
		kept = append(kept, t)
	}
	m.e.Tasks = kept
}

// surplus says why a Task is no longer needed.
func (m *machine) surplus(code TaskCode) string {
	switch {
	case m.v.ended():
		return "the plan was stopped"
	case m.e.Plan.Status == PlanCompleted:
		return "the plan is completed"
	case !m.v.bandOn() && code != PostRemovalCheck && code != DischargeCheck:
		return "the band is off"
	}
	return "no longer needed after what was found"
}

// dealtWith reports whether people ended the Task: done, refused or skipped.
func (t *Task) dealtWith() bool { return t.Status == TaskCompleted || t.Skipped }

// end finishes a Task.
func (t *Task) end(status TaskStatus, at time.Time) {
	t.Status, t.End = status, at
	t.Lateness, t.Withheld, t.Book, t.StatusReason = InTime, nil, nil, ""
	if status != TaskCompleted {
		t.Required = nil
	}
}

// note adds a remark of the service, once.
func (t *Task) note(at time.Time, text string) {
	for _, n := range t.Notes {
		if n.By == "" && n.Text == text {
			return
		}
	}
	t.Notes = append(t.Notes, Note{Text: text, At: at})
}
