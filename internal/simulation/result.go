package simulation

import (
	"time"

	"fhirsvc/internal/workflow"
)

// Result is what one episode came to. Times run from the start of compression; a zero
// time did not happen.
type Result struct {
	Number   uint64
	Protocol *workflow.Protocol
	Kind     workflow.ProcedureKind
	Fault    string // the rule that was broken, or why the episode did not end; "" if all is well

	FirstRelease time.Duration
	LastRelease  time.Duration // last air let out
	BandTime     time.Duration // until the band was off
	Discharge    time.Duration // until the check before discharge was done

	Bleeds   int // under the band
	Rebounds int // after it came off
	Loops    int // times that air was put back
	Eases    int
	Visits   int // of nurses
	Batches  int // visits charted late and in one go
	Late     int // Tasks that became overdue, reviews apart
	Calls    int // up the line for lateness
	Reviews  int
	Steps    int // inputs

	PatentFirst bool // flow at the first test
	Occluded    bool // no flow at the first test after removal

	late map[workflow.TaskKey]bool
}

// saw counts a Task that became overdue, once.
func (r *Result) saw(t workflow.Task) {
	if t.Lateness != workflow.Overdue || t.Key.Code == workflow.ClinicianReview || r.late[t.Key] {
		return
	}
	if r.late == nil {
		r.late = map[workflow.TaskKey]bool{}
	}
	r.late[t.Key] = true
	r.Late++
}

// collect reads the figures off the finished episode.
func (r *Result) collect(e *workflow.Episode, start time.Time) {
	r.late = nil
	r.Bleeds = e.Plan.Summary.Bleeds
	for _, t := range e.Tasks {
		done := t.Status == workflow.TaskCompleted
		switch {
		case t.Key.Code == workflow.ClinicianReview:
			r.Reviews++
			continue
		case t.Key.Code == workflow.ControlBleeding && done:
			r.Rebounds++
		case t.Key.Code == workflow.EaseCompression && done:
			r.Eases++
		case t.Key.Code == workflow.ReleaseStep && done && r.FirstRelease == 0:
			r.FirstRelease = actOf(e, &t).Sub(start)
		case t.Key.Code == workflow.DischargeCheck && done:
			r.Discharge = t.End.Sub(start)
		}
		r.Calls += len(t.Called)
	}
	tests := 0
	for _, f := range e.Findings {
		if f.Real() {
			r.read(f, f.Found.Sub(start), &tests)
		}
	}
}

// actOf gives when air went out for a step.
func actOf(e *workflow.Episode, t *workflow.Task) time.Time {
	for _, o := range t.Outputs {
		for _, f := range e.Findings {
			if f.ID == o.Finding && f.Code == workflow.AirRemoved {
				return f.Found
			}
		}
	}
	return time.Time{}
}

// read takes what one finding tells; the episode has them in order of time. Tests counts
// those of patency so far, from 1 again once the band is off.
func (r *Result) read(f workflow.Finding, after time.Duration, tests *int) {
	switch f.Code { //nolint:exhaustive // the others have no figure
	case workflow.Patency:
		*tests++
		switch {
		case *tests > 1:
		case r.BandTime == 0:
			r.PatentFirst = f.Answer == workflow.Patent
		default:
			r.Occluded = f.Answer == workflow.Occluded
		}
	case workflow.AirRemoved:
		if f.Amount.Sign() > 0 {
			r.LastRelease = after
		}
	case workflow.AirAdded:
		r.Loops++
	case workflow.Band:
		if f.Answer == workflow.BandOff {
			r.BandTime, *tests = after, 0
		}
	}
}
