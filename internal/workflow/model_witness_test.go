package workflow_test

import (
	"cmp"
	"slices"
	"time"

	"fhirsvc/internal/workflow"
)

// witness is what somebody who stood at the bed the whole time would say, read from the
// facts alone. It is written from the rules, not from the code under test: rules are held
// against it.
type witness struct {
	facts    []workflow.Finding // that stand, of this wrist, in order
	look     *workflow.Finding  // last real look at the site
	latest   *workflow.Finding  // last finding about bleeding, real or not
	test     *workflow.Finding  // last test that can show patency, or its charted absence
	air      time.Time          // last change of air or band
	out      time.Time          // last step out that was no easing
	wet      time.Time          // last finding of blood that counts as a bleed
	dried    time.Time          // when the last bleed was found to be over
	bleeding bool
	flash    bool      // it is blood that the titration looked for
	titrated time.Time // last air out for the titration, until a dry look
	hold     time.Time // no release before, after a bleed
	on       bool
	off      time.Time // when the band came off last
	again    time.Time // when one was put on after that
	never    bool      // the last finding about the band says that there never was one
	odd      *workflow.Finding
	lastOut  *workflow.Finding
	lastIn   *workflow.Finding
	told     bool // the volume of the band on the wrist was told once
	// unexplained is air put back with no bleed charted, until somebody looks.
	unexplained *workflow.Finding
	held        bool
	paused      time.Time
	toEmpty     bool
	stopped     bool
	ordered     time.Time // an order set the time of the next step
	moved       time.Time
}

// watch reads the facts of an episode.
func watch(e *workflow.Episode) *witness {
	w := &witness{facts: standing(e), on: true, told: counts(e).Volume != nil}
	w.orders(e)
	for i := range w.facts {
		w.see(e, &w.facts[i])
	}
	for _, m := range e.Moves {
		if !m.Ended && m.Found.After(w.moved) {
			w.moved = m.Found
		}
	}
	return w
}

func standing(e *workflow.Episode) []workflow.Finding {
	side := counts(e).Side
	var list []workflow.Finding
	for _, f := range e.Findings {
		taken := slices.ContainsFunc(e.Withdrawn, func(x workflow.Withdrawal) bool { return x.Finding == f.ID })
		if !taken && (f.Side == "" || f.Side == side) {
			list = append(list, f)
		}
	}
	slices.SortStableFunc(list, func(a, b workflow.Finding) int {
		return cmp.Or(a.When().Compare(b.When()), a.Recorded.Compare(b.Recorded), cmp.Compare(a.Entry, b.Entry), cmp.Compare(a.ID, b.ID))
	})
	return list
}

// counts is the event that counts: the last in order.
func counts(e *workflow.Episode) workflow.Event {
	var last workflow.Event
	for i, ev := range e.Events {
		if i == 0 || ev.Order.After(last.Order) {
			last = ev
		}
	}
	return last
}

// protocol is the episode's, or the widest limits where none fits.
func protocol(e *workflow.Episode) workflow.Protocol {
	if e.Protocol != nil {
		return *e.Protocol
	}
	return workflow.Protocol{
		DeviceMaximum: workflow.MustDecimal("18"), SiteCheckFirst: 15 * time.Minute, SiteCheckThen: 15 * time.Minute,
		AfterRemoval: []time.Duration{time.Hour}, EaseRetest: 15 * time.Minute,
	}
}

func (w *witness) see(e *workflow.Episode, f *workflow.Finding) {
	at := f.When()
	switch f.Code {
	case workflow.Bleeding:
		w.latest = f
		if f.Real() {
			w.looked(e, f)
		}
	case workflow.Patency:
		if !f.Real() || f.Method.ShowsPatency() {
			w.test = f
		}
	case workflow.AirRemoved, workflow.AirAdded:
		if f.Real() && f.Amount.Sign() > 0 {
			w.airChanged(e, f)
		}
	case workflow.Band:
		if f.Real() {
			w.band(f, at)
		}
	case workflow.AirVolume:
		w.told = w.told || f.Real() && w.on
	case workflow.Pulse, workflow.CompressionStart, workflow.Haematoma, workflow.Hand,
		workflow.Condition, workflow.Pain,
		workflow.Pressure, workflow.Anticoagulant, workflow.OtherFinding:
	}
}

func (w *witness) looked(e *workflow.Episode, f *workflow.Finding) {
	w.look, w.unexplained = f, nil
	p := protocol(e)
	switch {
	case f.Answer == workflow.Haemostasis:
		if w.bleeding {
			w.dried = f.When()
		}
		if w.bleeding && !w.flash {
			w.hold = f.When().Add(min(p.HoldAfterBleed, p.HoldAfterOoze))
		}
		w.bleeding, w.flash, w.titrated = false, false, time.Time{}
	case f.Answer == workflow.Active || p.RestoreOnOoze || w.bleeding || !w.on:
		if !w.bleeding && w.on { // blood that the titration looks for is no bleed
			w.flash = !w.titrated.IsZero() && w.titrated.Equal(w.air) && f.When().Sub(w.titrated) <= p.LookAfterAdd
		}
		w.bleeding, w.wet = true, f.When()
	}
}

func (w *witness) airChanged(e *workflow.Episode, f *workflow.Finding) {
	w.air = f.When()
	if f.Code == workflow.AirAdded {
		w.lastIn = f
		if w.on && w.told && !w.bleeding && !actOf(e, f.ID) {
			w.unexplained = f
		}
		return
	}
	w.lastOut = f
	for _, t := range e.Tasks {
		switch {
		case t.Key.Code == workflow.Titration && gave(t, f.ID):
			w.titrated = f.When()
			return
		case t.Key.Code == workflow.EaseCompression && gave(t, f.ID):
			return
		}
	}
	w.out = f.When()
}

// actOf reports whether the finding is what some Task asked for.
func actOf(e *workflow.Episode, finding string) bool {
	return slices.ContainsFunc(e.Tasks, func(t workflow.Task) bool { return gave(t, finding) })
}

func gave(t workflow.Task, finding string) bool {
	return slices.ContainsFunc(t.Outputs, func(o workflow.Output) bool { return o.Finding == finding })
}

func (w *witness) band(f *workflow.Finding, at time.Time) {
	w.odd, w.never = nil, f.Answer == workflow.BandNeverApplied
	switch f.Answer { //nolint:exhaustive // the other answers are not about this
	case workflow.BandOff, workflow.BandNeverApplied:
		if w.on {
			w.on, w.off, w.told, w.unexplained = false, at, false, nil
		}
	case workflow.BandOn:
		if !w.on {
			w.on, w.air, w.again = true, at, at
		}
	case workflow.BandReplaced:
		if !w.on {
			w.again = at
		}
		w.on, w.air, w.told, w.unexplained = true, at, false, nil
	default: // displaced or over the wrong artery
		w.odd = f
	}
}

func (w *witness) orders(e *workflow.Episode) {
	list := slices.Clone(e.Orders)
	slices.SortStableFunc(list, func(a, b workflow.Order) int { return a.Given.Compare(b.Given) })
	for _, o := range list {
		switch o.Code {
		case workflow.OrderHold:
			w.held = true
		case workflow.OrderResume:
			w.held, w.paused = false, time.Time{}
		case workflow.OrderPauseRelease:
			w.paused = o.Until
		case workflow.OrderContinueToEmpty:
			w.toEmpty = true
		case workflow.OrderOverrideTime:
			w.ordered = o.Recorded
		case workflow.OrderStopPlan:
			w.stopped = true
		case workflow.OrderOverrideVolume, workflow.OrderAdjustVolume, workflow.OrderNoBandPlan:
		}
	}
	w.stopped = w.stopped || revoked(e)
}

func revoked(e *workflow.Episode) bool {
	ev := counts(e)
	return slices.ContainsFunc(e.Revoked, func(r workflow.Revoked) bool { return !ev.Order.After(r.Order) })
}

// abnormal gives the last finding of the code if it is one that a person must answer.
func (w *witness) abnormal(code workflow.FindingCode) *workflow.Finding {
	for i := len(w.facts) - 1; i >= 0; i-- {
		f := &w.facts[i]
		if f.Code != code || !f.Real() {
			continue
		}
		switch f.Answer { //nolint:exhaustive // the other answers are not about this
		case workflow.Normal, workflow.Well, workflow.Weak:
			return nil
		case workflow.Absent:
			if code != workflow.Pulse {
				return nil
			}
		}
		return w.firstOf(i)
	}
	return nil
}

// last gives the last real finding of the code, nil if there is none.
func (w *witness) last(code workflow.FindingCode) *workflow.Finding {
	for i := len(w.facts) - 1; i >= 0; i-- {
		if f := &w.facts[i]; f.Code == code && f.Real() {
			return f
		}
	}
	return nil
}

// oddSince gives the first of the like findings that the band is where it should not be.
func (w *witness) oddSince() *workflow.Finding {
	if w.odd == nil {
		return nil
	}
	i := slices.IndexFunc(w.facts, func(f workflow.Finding) bool { return f.ID == w.odd.ID })
	return w.firstOf(i)
}

// firstOf gives the first of a run of like findings: one cause is one call.
func (w *witness) firstOf(i int) *workflow.Finding {
	first := &w.facts[i]
	for j := i - 1; j >= 0; j-- {
		f := &w.facts[j]
		if f.Code != first.Code || !f.Real() {
			continue
		}
		if f.Answer != first.Answer {
			break
		}
		first = f
	}
	return first
}

// decided reports whether a clinician completed a review of the cause at or after t.
func decided(e *workflow.Episode, cause string, t time.Time) bool {
	return slices.ContainsFunc(e.Tasks, func(x workflow.Task) bool {
		return x.Key.Code == workflow.ClinicianReview && x.Key.Purpose == cause && x.Status == workflow.TaskCompleted && !x.End.Before(t)
	})
}
