package workflow_test

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"fhirsvc/internal/workflow"
)

// offerRules: design rules 2, 3 and 5, and what a stop ends of rule 11.
func offerRules() []rule {
	return []rule{
		{2, "removal is offered only when empty, watched dry and tested", removalOnEvidence},
		{2, "removal is offered whatever the test showed", removalIsOffered},
		{2, "an empty band left on becomes overdue", emptyBandOverdue},
		{3, "a release is offered only on positive evidence", releaseOnEvidence},
		{3, "a release is offered only when nothing waits for an answer", releaseUnhindered},
		{3, "a release is offered when nothing is against it", releaseIsOffered},
		{3, "each reason that withholds an act says who lifts it", withheldSaysWho},
		{3, "what withholds a release withholds no easing", easingIsOffered},
		{3, "a hand that suffers gets less pressure", handIsEased},
		{3, "the pressure is taken down in the first minutes alone", titrationInTime},
		{5, "a test counts only by a method that can show patency", methodCounts},
		{5, "a test in doubt is never shown as patent", doubtIsNotPatent},
		{5, "air added asks for another test", addingAsksForTest},
		{11, "a plan that was stopped offers nothing", stoppedOffersNothing},
	}
}

func mentions(t workflow.Task, text string) bool { return strings.Contains(t.Description, text) }

func removalOnEvidence(m *move) string {
	offered := m.offered(workflow.BandRemoval)
	if len(offered) == 0 {
		return ""
	}
	empty := m.emptySince()
	switch watched := empty.Add(m.p.WatchAtEmpty); {
	case m.book().State != workflow.BookKnown || m.book().Volume.Sign() != 0 || empty.IsZero():
		return fmt.Sprintf("removal is offered with %s mL (%s)", m.book().Volume, m.book().State)
	case m.after.Last.Before(watched):
		return "removal is offered before the watch is over"
	case m.w.look == nil || m.w.look.Answer != workflow.Haemostasis || m.w.look.When().Before(watched):
		return "removal is offered and nobody saw the site dry after the watch"
	case m.w.bleeding:
		return "removal is offered while the site bleeds"
	case m.w.wet.After(empty) && m.w.look.When().Before(m.w.dried.Add(m.p.WatchAtEmpty)):
		return "removal is offered and the site bled during the watch"
	case m.w.test == nil || m.w.test.When().Before(empty):
		return "removal is offered without a test or a reason why there is none"
	}
	return ""
}

func removalIsOffered(m *move) string {
	empty := m.emptySince()
	if !m.active() || !m.bandOn() || empty.IsZero() || m.book().State != workflow.BookKnown {
		return ""
	}
	watched := empty.Add(m.p.WatchAtEmpty)
	if m.w.dried.After(empty) {
		watched = m.w.dried.Add(m.p.WatchAtEmpty) // the watch is one of a dry site
	}
	dry := m.w.look != nil && m.w.look.Answer == workflow.Haemostasis &&
		!m.w.look.When().Before(watched)
	tested := m.w.test != nil && !m.w.test.When().Before(empty)
	if dry && tested && !m.w.bleeding && !m.after.Last.Before(watched) && len(m.open(workflow.BandRemoval)) > 0 {
		if t := m.open(workflow.BandRemoval)[0]; !t.Status.Turn() {
			return fmt.Sprintf("the band is empty, watched, dry and tested (%s), and its removal is %s", m.w.test.Answer, t.Status)
		}
	}
	return ""
}

func emptyBandOverdue(m *move) string {
	empty := m.emptySince()
	if !m.active() || !m.bandOn() || empty.IsZero() || m.book().State != workflow.BookKnown || m.w.bleeding {
		return ""
	}
	for _, t := range m.open(workflow.BandRemoval) {
		late := empty.Add(m.p.WatchAtEmpty + m.p.RemovalDue + m.p.Grace[workflow.BandRemoval].Overdue)
		wasHeld := m.w.wet.After(empty) || m.w.air.After(empty)
		// An offered one has as much time as if it had been offered at its earliest: see lateIsCalled.
		if len(t.Outputs) == 0 && !t.Status.Turn() && !wasHeld && !m.after.Last.Before(late) && t.Lateness != workflow.Overdue && t.Lateness != workflow.Escalated {
			return fmt.Sprintf("empty since %s and not overdue at %s: %s due=%s", clock(empty), clock(m.after.Last), t.Status, clock(t.Due))
		}
	}
	return ""
}

func releaseOnEvidence(m *move) string {
	for _, t := range m.offered(workflow.ReleaseStep) {
		if why := m.noEvidence(t); why != "" {
			return fmt.Sprintf("%s is offered, and %s", t.Key, why)
		}
	}
	return ""
}

func (m *move) noEvidence(t workflow.Task) string {
	now := m.after.Last
	switch look := m.w.look; {
	case m.early(t) != "":
		return m.early(t)
	case look == nil:
		return "nobody has looked at the site"
	case m.w.latest != look:
		return "the last look could not be made"
	case look.Answer != workflow.Haemostasis:
		return "the last look found " + string(look.Answer)
	case look.When().Before(m.w.air):
		return "nobody has looked since the air or the band was changed"
	case now.Sub(look.When()) > m.p.SiteCheckFirst+m.p.Grace[workflow.SiteCheck].Overdue:
		return fmt.Sprintf("the last look was %s ago", now.Sub(look.When()))
	}
	return ""
}

// early says why the time of a step has not come.
func (m *move) early(t workflow.Task) string {
	now := m.after.Last
	start := counts(m.after).CompressionStart
	for _, f := range m.w.facts {
		if f.Code == workflow.CompressionStart && f.Real() {
			start = f.Instant
		}
	}
	ordered := m.w.ordered // an order opens the releases, and stands until something happens after it
	switch {
	case now.Before(t.NotBefore):
		return "its earliest time is not reached"
	case start.IsZero():
		return "the start of compression is not known"
	case ordered.IsZero() && now.Before(start.Add(m.p.FirstRelease)):
		return "the time to the first release is not over"
	case !m.w.out.IsZero() && !ordered.After(m.w.out) && now.Before(m.w.out.Add(m.p.Interval)):
		return "the interval since the last step is not over"
	case ordered.Before(m.skipped()) && now.Before(m.skipped().Add(m.p.Interval)):
		return "the interval since the step that was skipped is not over"
	case !ordered.After(m.w.wet) && now.Before(m.w.hold):
		return "the hold after the bleed is not over"
	}
	return ""
}

// skipped is when a step was last refused, skipped by order, or charted as not done.
func (m *move) skipped() time.Time {
	var last time.Time
	for _, t := range m.after.Tasks {
		if t.Key.Code == workflow.ReleaseStep && t.Skipped && t.End.After(last) {
			last = t.End
		}
	}
	for _, f := range m.w.facts {
		if f.Code == workflow.AirRemoved && !f.Real() && f.When().After(last) && f.When().After(m.w.again) {
			last = f.When()
		}
	}
	if last.Before(m.w.again) {
		return time.Time{} // another band begins anew
	}
	return last
}

func releaseUnhindered(m *move) string {
	if len(m.offered(workflow.ReleaseStep)) == 0 {
		return ""
	}
	switch {
	case m.w.held:
		return "a release is offered under a hold"
	case m.after.Last.Before(m.w.paused):
		return "a release is offered during a pause"
	case m.w.bleeding:
		return "a release is offered while the site bleeds"
	case m.w.stopped:
		return "a release is offered after the plan was stopped"
	case m.book().State != workflow.BookKnown && !m.w.toEmpty:
		return "a release is offered with the volume " + string(m.book().State)
	case !m.arrivedSince():
		return "a release is offered between departure and arrival"
	}
	return m.unanswered()
}

func (m *move) arrivedSince() bool {
	return m.w.moved.IsZero() || slices.ContainsFunc(m.after.Tasks, func(t workflow.Task) bool {
		return t.Key.Code == workflow.ArrivalCheck && (t.Status == workflow.TaskCompleted || t.Skipped) && !t.End.Before(m.w.moved)
	})
}

// unanswered names a finding or a correction that waits for a clinician's answer.
func (m *move) unanswered() string {
	for _, code := range []workflow.FindingCode{workflow.Condition, workflow.Hand, workflow.Pulse, workflow.Haematoma} {
		f := m.w.abnormal(code)
		if f != nil && code == workflow.Hand && uncomfortable(f) {
			continue // less pressure is what it needs
		}
		if f != nil && !decided(m.after, string(code), f.When()) {
			return fmt.Sprintf("a release is offered, and %s=%s of %s waits for an answer", f.Code, f.Answer, clock(f.When()))
		}
	}
	if f := m.w.last(workflow.Anticoagulant); f != nil && m.w.on && !m.w.ordered.After(f.When()) && !decided(m.after, string(workflow.Anticoagulant), f.When()) && f.When().After(m.w.off) {
		return fmt.Sprintf("a release is offered, and the anticoagulant of %s waits for a prescriber", clock(f.When()))
	}
	if ev := counts(m.after); slices.Contains(ev.Drugs, workflow.GlycoproteinInhibitor) && m.w.out.IsZero() && m.w.ordered.IsZero() {
		return "a release is offered, and no prescriber gave the time that the protocol asks for"
	}
	if f := m.w.oddSince(); f != nil && !decided(m.after, "band-"+string(f.Answer), f.When()) {
		return fmt.Sprintf("a release is offered, and band=%s of %s waits for an answer", f.Answer, clock(f.When()))
	}
	first, now := m.after.Events[0], counts(m.after)
	if now.Side != first.Side && !decided(m.after, "side-corrected", now.Recorded) {
		return "a release is offered, and the corrected wrist waits for an answer"
	}
	if now.Refs.Subject != first.Refs.Subject && !decided(m.after, "patient-corrected", now.Recorded) {
		return "a release is offered, and the corrected patient waits for an answer"
	}
	return ""
}

// releaseIsOffered: a step whose time has come is offered, or says why not.
func releaseIsOffered(m *move) string {
	for _, t := range m.open(workflow.ReleaseStep) {
		if t.Status == workflow.TaskDraft && !t.NotBefore.IsZero() && !m.after.Last.Before(t.NotBefore) && m.firstOpen(t) {
			return fmt.Sprintf("%s was to be offered from %s and is a draft without a reason", t.Key, clock(t.NotBefore))
		}
	}
	return ""
}

func (m *move) firstOpen(t workflow.Task) bool {
	for _, u := range m.open(workflow.ReleaseStep) {
		if len(u.Outputs) == 0 {
			return u.Key == t.Key
		}
	}
	return false
}

func withheldSaysWho(m *move) string {
	for _, t := range m.after.Tasks {
		if t.Status == workflow.TaskOnHold && len(t.Withheld) == 0 {
			return fmt.Sprintf("%s is withheld without a reason", t.Key)
		}
		for _, w := range t.Withheld {
			if w.Reason == "" || w.Lifter == "" || !w.Again.IsZero() && w.Again.Before(m.after.Last) {
				return fmt.Sprintf("%s is withheld: %q, to be lifted by %q, asked again at %s", t.Key, w.Reason, w.Lifter, clock(w.Again))
			}
		}
	}
	return ""
}

// easingIsOffered: with a closed artery under a band with air, a dry site and a known
// volume, letting air out is offered one way or the other.
func easingIsOffered(m *move) string {
	test, look := m.w.test, m.w.look
	if !m.active() || !m.bandOn() || test == nil || look == nil || test.Answer != workflow.Occluded || look.Answer != workflow.Haemostasis ||
		m.w.bleeding || m.book().State != workflow.BookKnown || m.book().Volume.Sign() <= 0 || m.w.air.After(test.When()) || m.used() {
		return ""
	}
	if slices.ContainsFunc(m.open(workflow.EaseCompression), func(t workflow.Task) bool { return t.Status.Turn() }) {
		return "" // offered, or done and its look is waited for
	}
	for _, t := range m.open(workflow.ReleaseStep) {
		soon := t.Status == workflow.TaskDraft && !m.after.Last.Add(m.p.Visit).Before(t.NotBefore)
		if t.Status.Turn() || soon || waitsForLook(t) {
			return ""
		}
	}
	return "the artery is closed under the band, the site is dry, and no air may go out"
}

func handIsEased(m *move) string {
	f, look := m.w.last(workflow.Hand), m.w.look
	if !m.active() || !m.bandOn() || f == nil || f.Answer != workflow.Abnormal || !uncomfortable(f) || look == nil || look.Answer != workflow.Haemostasis ||
		m.w.bleeding || m.book().State != workflow.BookKnown || m.book().Volume.Sign() <= 0 || m.w.air.After(f.When()) || m.used() {
		return ""
	}
	if slices.ContainsFunc(m.open(workflow.EaseCompression), func(t workflow.Task) bool { return t.Status.Turn() }) {
		return ""
	}
	for _, t := range m.open(workflow.ReleaseStep) {
		soon := t.Status == workflow.TaskDraft && !m.after.Last.Add(m.p.Visit).Before(t.NotBefore)
		if t.Status.Turn() || soon || waitsForLook(t) {
			return ""
		}
	}
	return "the hand suffers under the band, the site is dry, and no air may go out"
}

func titrationInTime(m *move) string {
	for _, t := range m.offered(workflow.Titration) {
		if !m.after.Last.Before(t.Due) {
			return "the pressure is to be taken down when the time for it is over"
		}
	}
	return ""
}

// used reports whether the easings allowed in a row may be used up.
func (m *move) used() bool {
	n := 0
	for _, t := range m.after.Tasks {
		if t.Key.Code == workflow.EaseCompression && t.Has(workflow.AirRemoved) {
			n++
		}
		if t.Key.Code == workflow.EaseCompression && t.Skipped {
			return true
		}
	}
	return n >= min(m.p.EaseTries, 2)
}

func methodCounts(m *move) string {
	for _, t := range m.after.Tasks {
		for _, o := range t.Outputs {
			f := findingOf(m.after, o.Finding)
			asked := slices.Contains(t.Required, workflow.Patency)
			if t.Status == workflow.TaskCompleted && asked && o.Code == workflow.Patency && f != nil && f.Real() && !f.Method.ShowsPatency() && m.now(t) {
				return fmt.Sprintf("%s was completed by a test with %q", t.Key, f.Method)
			}
		}
	}
	return ""
}

// now reports whether the Task was finished by this step.
func (m *move) now(t workflow.Task) bool {
	old := m.before.Task(t.Key)
	return t.Status.Finished() && (old == nil || !old.Status.Finished())
}

func findingOf(e *workflow.Episode, id string) *workflow.Finding {
	for i := range e.Findings {
		if e.Findings[i].ID == id {
			return &e.Findings[i]
		}
	}
	return nil
}

func doubtIsNotPatent(m *move) string {
	last := m.w.test
	if s := m.after.Plan.Summary; s.LastPatency == workflow.Patent && (last == nil || last.Answer != workflow.Patent) {
		return "the plan says patent, the last test does not"
	}
	return ""
}

func addingAsksForTest(m *move) string {
	in, test := m.w.lastIn, m.w.test
	if !m.active() || !m.bandOn() || in == nil || test == nil || !in.When().After(test.When()) || m.w.bleeding ||
		m.w.hold.IsZero() || m.w.wet.After(in.When()) || m.book().State != workflow.BookKnown {
		return ""
	}
	if len(m.open(workflow.PatencyCheck)) == 0 && m.after.Plan.Status != workflow.PlanCompleted {
		return "air was added since the last test, and no test is asked for"
	}
	return ""
}

func stoppedOffersNothing(m *move) string {
	if !m.w.stopped {
		return ""
	}
	for _, code := range []workflow.TaskCode{
		workflow.ReleaseStep, workflow.EaseCompression, workflow.BandRemoval, workflow.PatencyCheck, workflow.DischargeCheck,
	} {
		for _, t := range m.open(code) {
			return fmt.Sprintf("the plan was stopped, and %s is %s", t.Key, t.Status)
		}
	}
	return ""
}
