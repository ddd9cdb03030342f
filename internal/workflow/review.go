package workflow

import (
	"fmt"
	"time"
)

// Due times of reviews and the interval at which an unanswered one is called again
// (common practice and judgement, to be confirmed by the site).
const (
	reviewStat    = 5 * time.Minute
	reviewUrgent  = 15 * time.Minute
	reviewRoutine = 60 * time.Minute
)

func reviewTime(p Priority) time.Duration {
	switch p {
	case Stat, ASAP:
		return reviewStat
	case Urgent:
		return reviewUrgent
	case Routine:
		return reviewRoutine
	}
	return reviewRoutine
}

// planConcerns raises what the clock and the Tasks ask a clinician to decide.
func (m *machine) planConcerns() {
	v := m.v
	m.bleedingConcerns()
	m.easingConcerns()
	m.bandTimeConcerns()
	m.taskConcerns()
	if !v.ledger.emptied.IsZero() && v.bandOn() && v.testedSince(v.ledger.emptied) && v.flow.last.Answer != Patent {
		v.concern("not-shown-patent-at-empty", Routine, v.flow.last.When(),
			"with no air in the band the artery was not shown open: take the band off all the same, and test by another method")
	}
}

// bandTimeConcerns asks a clinician when the band has been on too long. Time alone
// never lets air out.
func (m *machine) bandTimeConcerns() {
	v := m.v
	if !v.bandOn() {
		return
	}
	alert := v.worn().Add(v.p.AlertBandTime)
	m.wakeAt(v.worn().Add(v.p.WarnBandTime))
	m.wakeAt(alert)
	if !m.now.Before(alert) {
		v.concern("band-time", Routine, alert, fmt.Sprintf("the band has been on for more than %s", span(v.p.AlertBandTime)))
	}
}

// taskConcerns asks a clinician about Tasks that stayed undone up the line, that were
// refused, and about a discharge without proof of an open artery.
func (m *machine) taskConcerns() {
	for i := range m.e.Tasks {
		t := &m.e.Tasks[i]
		if t.Key.Code == ClinicianReview {
			continue
		}
		for _, c := range t.Called {
			if c.Level == Clinician {
				m.v.concern(m.overdueCause(t.Key.Code), Urgent, c.At, fmt.Sprintf("%s is overdue and nobody has done it", t.Key.Code))
			}
		}
		switch {
		case t.Status == TaskRejected:
			m.v.concern("refused-"+string(t.Key.Code), Routine, t.End, fmt.Sprintf("%s was refused: %s", t.Key.Code, t.StatusReason))
		case t.Key.Code == DischargeCheck && t.Status == TaskCompleted && !m.v.shownOpen():
			m.v.concern("discharge-without-proof", Routine, t.End, "the discharge check did not show an open radial artery")
		}
	}
}

// shownOpen reports whether a test that stands showed the artery open since the band came
// off.
func (v *view) shownOpen() bool {
	last := v.flow.last
	return last != nil && last.Answer == Patent && !last.When().Before(v.band.off)
}

// overdueCause names the cause of an overdue Task: bleeding that nobody stops is the same
// cause as the bleeding.
func (m *machine) overdueCause(code TaskCode) string {
	switch code { //nolint:exhaustive // all others are a cause of their own
	case RestoreCompression:
		return m.v.bleedCause()
	case ControlBleeding:
		return causeAfterRemoval
	}
	return "overdue-" + string(code)
}

// planReviews keeps one review open for each cause that nobody has answered. An open one
// stays when its cause has passed: somebody was called and closes it.
func (m *machine) planReviews() {
	for _, c := range m.v.concerns {
		if m.answered(c) {
			continue
		}
		key := m.next(ClinicianReview, c.cause)
		t := m.e.Task(key)
		if t == nil && c.cleared || t != nil && c.priority.rank() < t.Priority.rank() {
			continue // it passed before anybody was asked, or more is being asked already
		}
		m.put(want{
			key: key, status: TaskReady, priority: c.priority, text: "To be decided by a clinician: " + c.text,
			notBefore: c.at, due: c.at.Add(reviewTime(c.priority)),
		})
	}
	for i := range m.e.Tasks {
		if t := &m.e.Tasks[i]; t.Key.Code == ClinicianReview && !t.Status.Finished() {
			m.wanted[t.Key] = true
			m.remind(t)
		}
	}
}

// remind marks a review that nobody has answered and calls again at each interval; a
// claim is an answer.
func (m *machine) remind(t *Task) {
	every := reviewTime(t.Priority)
	if t.Status == TaskInProgress {
		t.Lateness = Escalated
		return
	}
	if len(t.Called) == 0 {
		t.Called = append(t.Called, Call{Level: Clinician, At: m.now})
	}
	last := t.Called[len(t.Called)-1].At
	t.Lateness = InTime
	if !m.now.Before(t.Due) {
		t.Lateness = Overdue
	}
	again := last.Add(every)
	if !m.now.Before(again) {
		t.Called = append(t.Called, Call{Level: Clinician, At: m.now})
		again = m.now.Add(every)
	}
	m.wakeAt(t.Due)
	m.wakeAt(again)
}
