package workflow_test

import (
	"fmt"
	"slices"
	"time"

	"fhirsvc/internal/workflow"
)

// turnRules: design rules 4 and 11: it is always somebody's turn.
func turnRules() []rule {
	return []rule{
		{4, "while a band may be on, a look at the site is open and due in time", lookIsOpen},
		{4, "only a real look or an act moves the next look back", lookIsNotPutOff},
		{4, "the band's next act is open, or the reason why not", actIsOpen},
		{4, "after the band came off, a look is open until discharge", lookAfterRemoval},
		{4, "bleeding is somebody's turn", bleedingHasTask},
		{4, "air put back that nothing explains is looked at", puzzleIsLookedAt},
		{5, "an artery known to be closed is somebody's turn", closedHasTask},
		{4, "escalated means that a named person took it", escalatedHasOwner},
		{4, "no state waits for nobody", somebodysTurn},
		{4, "the plan ends only with the band off and the discharge check done", endsDone},
		{11, "a stopped or corrected plan asks what is on the wrist", confirmIsOpen},
		{11, "a second procedure, another wrist or patient asks a person", correctionIsAsked},
	}
}

func lookIsOpen(m *move) string {
	if len(m.after.Events) == 0 || !m.bandOn() {
		return ""
	}
	looks := m.open(workflow.SiteCheck)
	if len(looks) != 1 || !looks[0].Status.Turn() || looks[0].Due.IsZero() {
		return fmt.Sprintf("%d looks at the site are open", len(looks))
	}
	ev := counts(m.after)
	latest := ev.Recorded.Add(m.p.ArrivalDue)
	for _, t := range []time.Time{ev.Recorded, ev.CompressionStart, m.lastLook()} {
		if at := t.Add(m.p.SiteCheckThen); !t.IsZero() && at.After(latest) {
			latest = at
		}
	}
	if looks[0].Due.After(latest) {
		return fmt.Sprintf("the next look is due %s, the longest interval ends %s", clock(looks[0].Due), clock(latest))
	}
	return ""
}

func (m *move) lastLook() time.Time {
	if m.w.look == nil {
		return time.Time{}
	}
	return m.w.look.When()
}

// lookIsNotPutOff: no hold, transfer, review, refusal, correction or revocation, and no
// look charted as not done, moves the next look back.
func lookIsNotPutOff(m *move) string {
	old, next := openLook(m.before), openLook(m.after)
	if old == nil || next == nil || !next.Due.After(old.Due) || m.mayMoveLook() {
		return ""
	}
	return fmt.Sprintf("%s was due %s, %s is due %s", old.Key, clock(old.Due), next.Key, clock(next.Due))
}

func openLook(e *workflow.Episode) *workflow.Task {
	for i := range e.Tasks {
		if e.Tasks[i].Key.Code == workflow.SiteCheck && !e.Tasks[i].Status.Finished() {
			return &e.Tasks[i]
		}
	}
	return nil
}

// mayMoveLook: findings with a value, events, withdrawals and ended Tasks that hold real
// findings count anew; an order on the volume or the time moves the visit.
func (m *move) mayMoveLook() bool {
	switch in := m.in.(type) {
	case workflow.Started:
		return true
	case workflow.Charted:
		return len(in.Withdrawn) > 0 || slices.ContainsFunc(in.Findings, workflow.Finding.Real) || m.ordersMoveVisit(in) || endsRealLook(m.before, in)
	case workflow.Revoked, workflow.Relocated, workflow.Elapsed:
	}
	return false
}

// ordersMoveVisit: when the next act moves, a look that was put together with it moves
// back to its own time, and the look at the end of the watch goes when there is air again.
func (m *move) ordersMoveVisit(in workflow.Charted) bool {
	if slices.ContainsFunc(in.Orders, func(o workflow.Order) bool { return o.Code == workflow.OrderAdjustVolume }) {
		return true // lookIsOpen has the limit
	}
	moved := len(in.Orders) > 0 || slices.ContainsFunc(in.Updates, func(u workflow.TaskUpdate) bool { return u.Task.Code == workflow.ReleaseStep })
	return moved && openLook(m.after).Due.Sub(openLook(m.before).Due) <= m.p.Visit
}

func endsRealLook(e *workflow.Episode, in workflow.Charted) bool {
	return slices.ContainsFunc(in.Updates, func(u workflow.TaskUpdate) bool {
		t := e.Task(u.Task)
		return t != nil && t.Key.Code == workflow.SiteCheck && len(t.Outputs) > 0 && !slices.ContainsFunc(t.Outputs, func(o workflow.Output) bool { return o.Missing != "" })
	})
}

func actIsOpen(m *move) string {
	if !m.bandOn() || !m.active() {
		return ""
	}
	for _, code := range []workflow.TaskCode{workflow.ReleaseStep, workflow.BandRemoval, workflow.RestoreCompression} {
		for _, t := range m.open(code) {
			if !t.Due.IsZero() || len(t.Withheld) > 0 {
				return ""
			}
		}
	}
	return "the band has no next act and no reason why"
}

func lookAfterRemoval(m *move) string {
	if len(m.after.Events) == 0 || m.bandOn() || m.done(workflow.DischargeCheck) || len(m.open(workflow.PostRemovalCheck)) > 0 {
		return ""
	}
	if m.w.stopped && m.ladderDone() {
		return "" // there is no discharge check under it
	}
	return "the band is off and nobody looks at the site"
}

// ladderDone reports whether the site was looked at as long as the ladder after removal
// goes, or there is no puncture to look at.
func (m *move) ladderDone() bool {
	if last := m.after.Plan.Summary; revoked(m.after) && m.w.never && !last.BandOn {
		return true
	}
	off := m.w.off
	for _, o := range m.after.Orders {
		if o.Code == workflow.OrderNoBandPlan && (off.IsZero() || o.Given.Before(off)) {
			off = o.Given
		}
	}
	if m.w.dried.After(off) {
		off = m.w.dried
	}
	last := off.Add(m.p.AfterRemoval[len(m.p.AfterRemoval)-1] - m.p.Visit)
	return m.w.look != nil && !m.w.look.When().Before(last)
}

func (m *move) done(code workflow.TaskCode) bool {
	return slices.ContainsFunc(m.after.Tasks, func(t workflow.Task) bool { return t.Key.Code == code && t.Status == workflow.TaskCompleted })
}

func bleedingHasTask(m *move) string {
	if !m.w.bleeding || slices.ContainsFunc(m.after.Orders, func(o workflow.Order) bool { return o.Code == workflow.OrderNoBandPlan }) {
		return ""
	}
	for _, code := range []workflow.TaskCode{workflow.RestoreCompression, workflow.ControlBleeding} {
		for _, t := range m.open(code) {
			if t.Status.Turn() && !t.Due.IsZero() && t.Priority == workflow.Stat {
				return ""
			}
		}
	}
	return "the site bleeds and nobody is asked to stop it"
}

// puzzleIsLookedAt: somebody put air back and nobody charted why.
func puzzleIsLookedAt(m *move) string {
	added := m.w.unexplained
	if added == nil || !m.bandOn() || m.book().State == workflow.BookUnknown {
		return ""
	}
	if look := openLook(m.after); look == nil || look.Due.After(added.When().Add(m.p.LookAfterAdd)) {
		return fmt.Sprintf("air was put back at %s, no bleeding is charted, and no look is due for it", clock(added.When()))
	}
	return ""
}

// closedHasTask: while the last test found the artery closed and the site is dry, either
// less pressure or another test is asked for, or the next step is near and waits for a look
// alone.
func closedHasTask(m *move) string {
	w := m.w
	book := m.book()
	if w.test == nil || w.test.Answer != workflow.Occluded || !w.test.Real() || !m.bandOn() || !m.active() || w.bleeding ||
		book.State != workflow.BookKnown || book.Volume.Sign() <= 0 || w.lastIn != nil && w.lastIn.When().After(w.test.When()) {
		return ""
	}
	if len(m.open(workflow.EaseCompression)) > 0 || len(m.open(workflow.PatencyCheck)) > 0 {
		return ""
	}
	for _, t := range m.open(workflow.ReleaseStep) {
		standing := slices.ContainsFunc(t.Withheld, func(x workflow.Withheld) bool { return !x.Evidence })
		if !standing && !t.NotBefore.IsZero() && !t.NotBefore.After(m.after.Last.Add(m.p.Visit)) {
			return ""
		}
	}
	return fmt.Sprintf("the artery was closed at %s, and nobody is asked to ease or to test", clock(w.test.When()))
}

func escalatedHasOwner(m *move) string {
	for _, t := range m.after.Tasks {
		if t.Lateness == workflow.Escalated && t.Owner == "" {
			return fmt.Sprintf("%s is escalated and has no owner", t.Key.Code)
		}
	}
	return ""
}

func somebodysTurn(m *move) string {
	if len(m.after.Events) == 0 || m.after.Plan.Status == workflow.PlanCompleted {
		return ""
	}
	for _, t := range m.after.Tasks {
		turn := t.Status.Turn() && (!t.Due.IsZero() || t.Key.Code == workflow.DischargeCheck)
		if turn || t.Status == workflow.TaskOnHold && len(t.Withheld) > 0 {
			return ""
		}
	}
	if m.after.Plan.Status == workflow.PlanRevoked && !m.bandOn() {
		return "" // what remains is lookAfterRemoval's
	}
	return "the plan is " + string(m.after.Plan.Status) + " and waits for nobody"
}

func endsDone(m *move) string {
	if m.after.Plan.Status != workflow.PlanCompleted {
		return ""
	}
	if m.bandOn() {
		return "the plan is completed with the band on"
	}
	if !m.done(workflow.DischargeCheck) {
		return "the plan is completed without the discharge check"
	}
	return ""
}

func confirmIsOpen(m *move) string {
	if len(m.open(workflow.ConfirmBandState)) > 0 || len(m.after.Events) == 0 {
		return ""
	}
	since := time.Time{}
	if m.bandOn() && m.w.stopped {
		for _, r := range m.after.Revoked {
			since = r.At
		}
		for _, o := range m.after.Orders {
			if o.Code == workflow.OrderStopPlan {
				since = o.Recorded
			}
		}
	}
	first, now := m.after.Events[0], counts(m.after)
	if now.Side != first.Side || now.Refs.Subject != first.Refs.Subject {
		since = now.Recorded
	}
	if since.IsZero() {
		return ""
	}
	confirmed := slices.ContainsFunc(m.w.facts, func(f workflow.Finding) bool {
		return f.Code == workflow.Band && f.Real() && !f.When().Before(since)
	})
	if !confirmed {
		return "nobody is asked what is on the wrist"
	}
	return ""
}

func correctionIsAsked(m *move) string {
	first, now := m.after.Events[0:min(1, len(m.after.Events))], counts(m.after)
	if len(first) == 0 {
		return ""
	}
	for cause, is := range map[string]bool{
		"side-corrected":    now.Side != first[0].Side,
		"patient-corrected": now.Refs.Subject != first[0].Refs.Subject,
		"second-procedure":  now.OtherPlan != "",
		"no-protocol":       m.after.Protocol == nil,
	} {
		if is && !m.asked(cause) {
			return "nobody is asked about " + cause
		}
	}
	return ""
}

func (m *move) asked(cause string) bool {
	return slices.ContainsFunc(m.after.Tasks, func(t workflow.Task) bool {
		return t.Key.Code == workflow.ClinicianReview && t.Key.Purpose == cause
	})
}
