package simulation

import (
	"fmt"
	"slices"
	"time"

	"fhirsvc/internal/workflow"
)

// How long the acts of a visit take (common practice).
const (
	actTime   = time.Minute
	watchTime = 2 * time.Minute // between an act and the look at what it did
	pressTime = 10 * time.Minute
)

// visit is one nurse at one bed: she looks, does the one act whose time it is, looks at
// what it did, and charts at once or, some time later, all in one go.
type visit struct {
	*bed
	at      time.Time
	batch   bool
	pending []workflow.Finding
	done    []workflow.TaskUpdate
}

// visit plays a visit that begins at the instant.
func (b *bed) visit(at time.Time) {
	if at.Before(b.e.Last) {
		at = b.e.Last
	}
	v := &visit{bed: b, at: at.Add(time.Second), batch: chance(b.r, b.rates.Nursing.Batch)}
	b.result.Visits++
	act, told := v.dueAct(), v.toComplete()
	bleeding := v.look(v.asked(act))
	switch {
	case bleeding && v.wrist.on:
		v.restore()
	case bleeding:
		v.pressByHand()
	case act != nil && v.still(act):
		v.do(act)
	}
	for _, k := range told {
		v.done = append(v.done, workflow.TaskUpdate{Task: k, Status: workflow.TaskCompleted, End: v.at, By: "nurse"})
	}
	if len(told) > 0 {
		v.say()
	}
	v.end()
}

// toComplete names what is done on this visit and told by completing its Task alone: the
// dressing when its time has come, and what the patient is to be told whenever it may be.
func (v *visit) toComplete() []workflow.TaskKey {
	var keys []workflow.TaskKey
	if t := v.due(workflow.Dressing); t != nil {
		keys = append(keys, t.Key)
	}
	for _, t := range v.e.Tasks {
		if t.Key.Code == workflow.PatientTeaching && t.Status.Turn() {
			keys = append(keys, t.Key)
		}
	}
	return keys
}

// dueAct is the change of air or removal that may be done on this visit, easing first; a
// copy, since charting changes the episode.
func (v *visit) dueAct() *workflow.Task {
	for _, code := range []workflow.TaskCode{workflow.EaseCompression, workflow.ReleaseStep, workflow.BandRemoval} {
		if t := v.due(code); t != nil {
			return t
		}
	}
	return nil
}

// due gives a copy of the first Task of a code whose time has come, nil if there is none.
func (v *visit) due(code workflow.TaskCode) *workflow.Task {
	for _, t := range v.e.Tasks {
		if at, ok := v.target(&t); t.Key.Code == code && ok && !at.After(v.at) && len(t.Outputs) == 0 {
			return &t
		}
	}
	return nil
}

// still reports whether an act is still to be done after the look. Who charts later
// can't be told otherwise.
func (v *visit) still(act *workflow.Task) bool {
	if v.batch {
		return true
	}
	t := v.e.Task(act.Key)
	return t != nil && t.Status.Turn()
}

// asked lists what the open Tasks ask to be looked at within this visit, the site always.
func (v *visit) asked(act *workflow.Task) []workflow.FindingCode {
	codes := []workflow.FindingCode{workflow.Bleeding}
	if act != nil && act.Key.Code == workflow.BandRemoval {
		codes = append(codes, workflow.Patency)
	}
	for _, t := range v.e.Tasks {
		at, ok := v.target(&t)
		if !ok || at.After(v.at.Add(v.e.Protocol.Visit)) {
			continue
		}
		for _, c := range t.Lacks() {
			if !isAct(c) && !slices.Contains(codes, c) {
				codes = append(codes, c)
			}
		}
	}
	return codes
}

// isAct reports whether a finding is something done, not something seen.
func isAct(c workflow.FindingCode) bool {
	return c == workflow.AirRemoved || c == workflow.AirAdded || c == workflow.Band
}

// look charts what is seen and reports whether the site bleeds.
func (v *visit) look(codes []workflow.FindingCode) (bleeding bool) {
	var seen workflow.Answer
	for _, code := range codes {
		f := v.finding(code)
		switch code { //nolint:exhaustive // the others are always as one hopes
		case workflow.Bleeding:
			seen = v.wrist.look(v.at)
			f.Answer = seen
		case workflow.Patency:
			v.test(&f)
		case workflow.AirVolume:
			air := v.wrist.air
			f.Amount = &air
		case workflow.CompressionStart:
			f.Instant = v.wrist.start
		case workflow.Haematoma:
			f.Answer = workflow.Absent
			if f.Amount = v.wrist.swollen(v.at); f.Amount != nil {
				f.Answer = workflow.Present
			}
		default:
			f.Answer = map[workflow.FindingCode]workflow.Answer{
				workflow.Hand: workflow.Normal, workflow.Pulse: workflow.Normal, workflow.Condition: workflow.Well,
			}[code]
		}
		v.pending = append(v.pending, f)
	}
	v.say()
	return seen != workflow.Haemostasis
}

func (v *visit) test(f *workflow.Finding) {
	f.Method = workflow.WaveformUlnarCompressed
	switch {
	case chance(v.r, v.rates.Untestable):
		f.Missing = workflow.CouldNotAssess
	case v.wrist.open:
		f.Answer = workflow.Patent
	default:
		f.Answer = workflow.Occluded
	}
}

// do does the act and looks at what it did.
func (v *visit) do(act *workflow.Task) {
	v.at = v.at.Add(actTime)
	if act.Key.Code == workflow.BandRemoval {
		v.wrist.takeOff(v.at)
		f := v.finding(workflow.Band)
		f.Answer = workflow.BandOff
		v.pending = append(v.pending, f)
		v.say()
		return
	}
	out := v.wrist.letOut(v.at, *act.Planned)
	f := v.finding(workflow.AirRemoved)
	f.Amount = &out
	v.pending = append(v.pending, f)
	v.say()
	v.at = v.at.Add(watchTime)
	if v.look([]workflow.FindingCode{workflow.Bleeding}) {
		v.restore()
	}
}

// restore puts air back as the plan says until the site is dry; after four times, or at
// the maximum, by hand.
func (v *visit) restore() {
	v.flush(v.at)
	v.batch = false // the plan is asked: all has to be charted first
	for range 4 {
		t := v.due(workflow.RestoreCompression)
		if t == nil || t.Planned == nil {
			break
		}
		v.at = v.at.Add(actTime)
		v.wrist.putBack(*t.Planned)
		f := v.finding(workflow.AirAdded)
		f.Amount = t.Planned
		v.pending = append(v.pending, f)
		v.say()
		v.at = v.at.Add(watchTime)
		if !v.look([]workflow.FindingCode{workflow.Bleeding}) {
			return
		}
	}
	f := v.finding(workflow.AirAdded)
	f.Missing = workflow.NotPerformed
	v.pending = append(v.pending, f)
	v.pressByHand()
}

// pressByHand stops the bleeding and charts when it is dry.
func (v *visit) pressByHand() {
	v.at = v.at.Add(pressTime)
	v.wrist.press()
	v.look([]workflow.FindingCode{workflow.Bleeding})
}

// finding begins a finding of this moment.
func (v *visit) finding(code workflow.FindingCode) workflow.Finding {
	v.ids++
	return workflow.Finding{ID: fmt.Sprintf("f%06d", v.ids), Code: code, Found: v.at, By: "nurse", Entry: len(v.pending)}
}

// say charts what was found so far, unless she charts later.
func (v *visit) say() {
	if !v.batch {
		v.flush(v.at)
	}
}

// end charts what is still to be charted.
func (v *visit) end() {
	if len(v.pending) == 0 && len(v.done) == 0 {
		return
	}
	v.result.Batches++
	v.flush(v.at.Add(wait(v.r, v.rates.Nursing.BatchDelay)))
}

// flush charts in one go at the instant; the clock rings on its way there.
func (v *visit) flush(at time.Time) {
	for !v.wake.IsZero() && v.wake.Before(at) && v.result.Fault == "" {
		v.step(workflow.Elapsed{Stamp: v.stamp(v.wake)})
	}
	in := workflow.Charted{Stamp: v.stamp(at), Findings: v.pending, Updates: v.done}
	for i := range in.Findings {
		in.Findings[i].Recorded = in.At
	}
	v.pending, v.done = nil, nil
	v.step(in)
}
