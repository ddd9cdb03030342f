package workflow_test

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"fhirsvc/internal/workflow"
)

// nurse gives the next input of ordinary nursing, all going well: she does what is due on
// one visit, or waits for what is due next. Nil means that nothing is left to wait for.
func (b *bed) nurse() workflow.Input {
	if in := b.resume(); in != nil {
		return in
	}
	if t := b.dueAct(); t != nil {
		return b.doAct(t)
	}
	if in := b.visit(); in != nil {
		return in
	}
	at := b.wake
	for _, t := range b.e.Tasks {
		if t.Status.Turn() && t.Due.After(b.e.Last) && (at.IsZero() || t.Due.Before(at)) {
			at = t.Due
		}
	}
	if at.IsZero() {
		return nil
	}
	return until(at)
}

// resume lifts a hold, and asks for the time that a prescriber gives.
func (b *bed) resume() workflow.Input {
	o := workflow.Order{
		ID: fmt.Sprintf("o%03d", len(b.e.Orders)), Code: workflow.OrderResume, Given: b.now(), Recorded: b.now(), By: "clinician", Reason: "reason",
	}
	switch asked := slices.ContainsFunc(b.e.Tasks, func(t workflow.Task) bool {
		return slices.ContainsFunc(t.Withheld, func(w workflow.Withheld) bool { return strings.Contains(w.Reason, "a prescriber gives the time") })
	}); {
	case !b.e.Plan.Summary.BandOn:
		return nil
	case watch(&b.e).held:
	case asked:
		o.Code, o.Time = workflow.OrderOverrideTime, b.now().Add(20*time.Minute)
	default:
		return nil
	}
	return workflow.Charted{Stamp: b.stamp(), Orders: []workflow.Order{o}}
}

var actFinding = map[workflow.TaskCode]workflow.FindingCode{
	workflow.RestoreCompression: workflow.AirAdded,
	workflow.EaseCompression:    workflow.AirRemoved,
	workflow.ReleaseStep:        workflow.AirRemoved,
}

// dueAct is the change of air that is somebody's turn.
func (b *bed) dueAct() *workflow.Task {
	for _, code := range []workflow.TaskCode{workflow.RestoreCompression, workflow.EaseCompression, workflow.ReleaseStep} {
		for i := range b.e.Tasks {
			t := &b.e.Tasks[i]
			if t.Key.Code == code && t.Status.Turn() && !t.Has(actFinding[code]) {
				return t
			}
		}
	}
	return nil
}

func (b *bed) doAct(t *workflow.Task) workflow.Input {
	amount := t.Planned
	if amount == nil || t.Key.Code == workflow.ReleaseStep && b.e.Plan.Summary.Book.State != workflow.BookKnown {
		amount = decimal("0") // ordered to go on: the syringe draws nothing
	}
	return b.chart(b.finding(0, actFinding[t.Key.Code], "", amount))
}

// visit charts once each what all Tasks ask for whose time has come, and what withholds
// the band's next act for want of a look or a test.
func (b *bed) visit() workflow.Input {
	var asked []workflow.FindingCode
	ask := func(codes ...workflow.FindingCode) {
		for _, c := range codes {
			if !slices.Contains(asked, c) {
				asked = append(asked, c)
			}
		}
	}
	in := workflow.Charted{Stamp: b.stamp()}
	for _, t := range b.e.Tasks {
		switch {
		case t.Status == workflow.TaskOnHold && waitsForLook(t):
			ask(workflow.Bleeding)
			if t.Key.Code == workflow.BandRemoval {
				ask(workflow.Patency)
			}
		case !t.Status.Turn() || t.Due.After(b.e.Last) && t.Key.Code != workflow.ClinicianReview:
		default:
			ask(t.Lacks()...)
			if len(t.Required) == 0 || t.Status == workflow.TaskInProgress {
				in.Updates = append(in.Updates, workflow.TaskUpdate{Task: t.Key, Status: workflow.TaskCompleted, By: "nurse"})
			}
		}
	}
	for i, code := range asked {
		in.Findings = append(in.Findings, b.well(i, code))
	}
	if len(in.Findings) == 0 && len(in.Updates) == 0 {
		return nil
	}
	return in
}

func waitsForLook(t workflow.Task) bool {
	return len(t.Withheld) > 0 && !slices.ContainsFunc(t.Withheld, func(w workflow.Withheld) bool { return !w.Evidence })
}

// well is the finding as one hopes for it.
func (b *bed) well(n int, code workflow.FindingCode) workflow.Finding {
	f := b.finding(n, code, map[workflow.FindingCode]workflow.Answer{
		workflow.Bleeding: workflow.Haemostasis, workflow.Patency: workflow.Patent, workflow.Hand: workflow.Normal,
		workflow.Pulse: workflow.Normal, workflow.Haematoma: workflow.Absent, workflow.Condition: workflow.Well,
		workflow.Band: workflow.BandOn,
	}[code], nil)
	switch code {
	case workflow.Band:
		if b.bandComesOff() {
			f.Answer = workflow.BandOff
		}
	case workflow.CompressionStart:
		f.Instant = b.e.Events[0].Recorded.Add(-5 * time.Minute)
	case workflow.AirVolume:
		volume := b.e.Plan.Summary.Book.Volume
		if b.e.Plan.Summary.Book.State == workflow.BookUnknown || volume.Sign() < 0 {
			volume = workflow.MustDecimal("4")
		}
		if limit := protocol(&b.e).DeviceMaximum; limit.Less(volume) {
			volume = limit // no more is in it than it can hold
		}
		f.Amount = &volume
	case workflow.Bleeding, workflow.Patency, workflow.Pulse, workflow.AirRemoved, workflow.AirAdded,
		workflow.Haematoma, workflow.Hand, workflow.Condition, workflow.Pain,
		workflow.Pressure, workflow.Anticoagulant, workflow.OtherFinding:
	}
	return f
}

// bandComesOff: an offered removal is done; under a plan that was stopped whoever
// confirms the band's state takes it off.
func (b *bed) bandComesOff() bool {
	if b.e.Plan.Status == workflow.PlanRevoked || b.e.Protocol == nil || !b.e.Plan.Summary.BandOn {
		return true
	}
	return slices.ContainsFunc(b.e.Tasks, func(t workflow.Task) bool { return t.Key.Code == workflow.BandRemoval && t.Status.Turn() })
}

// finished reports whether nothing is left to be done in the episode.
func (b *bed) finished() bool {
	if b.e.Plan.Status != workflow.PlanCompleted && b.e.Plan.Status != workflow.PlanRevoked {
		return false
	}
	return !slices.ContainsFunc(b.e.Tasks, func(t workflow.Task) bool { return !t.Status.Finished() })
}
