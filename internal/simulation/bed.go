package simulation

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"time"

	"fhirsvc/internal/workflow"
)

// mostSteps and longest bound an episode: one that needs more is stuck.
const (
	mostSteps = 2000
	longest   = 48 * time.Hour
)

// day is the invented day on which all episodes begin.
func day() time.Time { return time.Date(2026, time.March, 2, 8, 0, 0, 0, time.UTC) }

// bed is one episode being played: what the core believes, how the wrist is, and when
// people mean to come.
type bed struct {
	e      workflow.Episode
	wake   time.Time
	wrist  *wrist
	rates  Rates
	r      *rand.Rand
	comes  map[visitKey]time.Duration // how late, drawn once for each Task
	ids    int
	result Result
}

// visitKey is what a delay belongs to: somebody comes sooner when it gets urgent.
type visitKey struct {
	task     workflow.TaskKey
	priority workflow.Priority
}

// play plays one episode to its end. The result has a Fault if a rule was broken or the
// episode did not end.
func play(seed, number uint64, p *workflow.Protocol, volume workflow.Decimal, rates Rates) Result {
	r := rand.New(rand.NewPCG(seed, number))
	b := &bed{r: r, rates: rates, e: workflow.New("episode", p, ""), comes: map[visitKey]time.Duration{}}
	b.result = Result{Number: number, Protocol: p, Kind: p.Applies.Kind}
	if volume.Sign() == 0 {
		volume = workflow.Least(startVolume(r), p.InitialMax)
	}
	b.begin(volume)
	for b.result.Fault == "" && !b.finished() {
		b.next()
	}
	b.result.collect(&b.e, b.wrist.start)
	return b.result
}

// startVolume draws how much is left in the band after titration: 13 to 16 mL, 15 being
// commonest (Swedish reference site 13; UK trusts 14 and 15; BC Emergency Health Services
// PR32 15; Oman RCT 16). The shares are a judgement.
func startVolume(r *rand.Rand) workflow.Decimal {
	return workflow.MustDecimal([]string{"13", "14", "15", "15", "15", "16"}[r.IntN(6)])
}

// begin tells the core of the procedure, some minutes after compression started.
func (b *bed) begin(volume workflow.Decimal) {
	start := day()
	b.wrist = newWrist(b.r, b.rates, start, volume)
	told := start.Add(2*time.Minute + uniform(b.r, 10*time.Minute)) // judgement
	ev := workflow.Event{
		Order: told, Recorded: told, Kind: b.result.Kind, Side: workflow.Right,
		Refs: workflow.Refs{Subject: "Patient/invented"}, PerformedEnd: start, VolumeBy: "operator",
	}
	if !chance(b.r, b.rates.Nursing.Untold) {
		ev.Volume = &volume
	}
	if !chance(b.r, b.rates.Nursing.Untold) {
		ev.CompressionStart = start
	}
	b.step(workflow.Started{Stamp: b.stamp(told), Event: ev})
}

// stamp gives the next input its instant, never before the last one's.
func (b *bed) stamp(at time.Time) workflow.Stamp {
	b.ids++
	if at.Before(b.e.Last) {
		at = b.e.Last
	}
	return workflow.Stamp{At: at, ID: fmt.Sprintf("i%d", b.ids)}
}

// step feeds one input and holds the rules against what comes of it.
func (b *bed) step(in workflow.Input) {
	if b.result.Fault != "" {
		return
	}
	after, effects, err := workflow.Step(b.e, in)
	b.result.Steps++
	switch {
	case err != nil:
		b.fault("ordinary nursing was refused: %v", err)
		return
	case b.result.Steps > mostSteps, after.Last.Sub(day()) > longest:
		b.fault("the episode does not end: %s is next", b.waiting())
		return
	}
	if rule := broken(in, &b.e, &after); rule != "" {
		b.fault("a rule is broken: %s", rule)
	}
	b.e = after
	for _, eff := range effects {
		switch eff := eff.(type) {
		case workflow.PutTask:
			b.result.saw(eff.Task)
		case workflow.WakeAt:
			b.wake = eff.At
			if !eff.At.IsZero() && !eff.At.After(after.Last) {
				b.fault("it asks to be woken in the past")
			}
		case workflow.PutPlan, workflow.PutFlag, workflow.PutIssue, workflow.PutNotice, workflow.PutTimeline:
		}
	}
}

func (b *bed) fault(format string, args ...any) {
	b.result.Fault = fmt.Sprintf(format, args...)
}

// waiting names the first Task that is not finished.
func (b *bed) waiting() string {
	i := slices.IndexFunc(b.e.Tasks, func(t workflow.Task) bool { return !t.Status.Finished() })
	if i < 0 {
		return "nothing"
	}
	return b.e.Tasks[i].Key.String()
}

// finished reports whether the plan is completed and nobody has anything left to do.
func (b *bed) finished() bool {
	return b.e.Plan.Status == workflow.PlanCompleted && b.waiting() == "nothing"
}

// next lets time pass to whatever comes first: the service's own wake-up, a nurse's
// visit, or a clinician's answer.
func (b *bed) next() {
	var first *workflow.Task
	var when time.Time
	for i := range b.e.Tasks {
		t := &b.e.Tasks[i]
		at, ok := b.target(t)
		if !ok {
			continue
		}
		at = at.Add(b.late(t))
		if first == nil || at.Before(when) {
			first, when = t, at
		}
	}
	switch {
	case !b.wake.IsZero() && (first == nil || b.wake.Before(when)):
		b.step(workflow.Elapsed{Stamp: b.stamp(b.wake)})
	case first == nil:
		b.fault("nobody has anything to do, and %s is not finished", b.waiting())
	case first.Key.Code == workflow.ClinicianReview:
		b.answer(first, when)
	default:
		b.visit(when)
	}
}

// target is the time of a Task as people take it: an act from its earliest time, a look
// from when it is due; not ok while it is nobody's turn.
func (b *bed) target(t *workflow.Task) (at time.Time, ok bool) {
	if !t.Status.Turn() && (t.Status != workflow.TaskOnHold || !waitsForLook(t)) {
		return at, false
	}
	switch t.Key.Code {
	case workflow.ClinicianReview, workflow.Dressing, workflow.DischargeCheck, workflow.RestoreCompression, workflow.ControlBleeding:
		return t.NotBefore, true
	case workflow.ReleaseStep, workflow.EaseCompression, workflow.BandRemoval:
		if len(t.Outputs) == 0 {
			return t.NotBefore, true
		}
	case workflow.ArrivalCheck, workflow.RecordBandVolume, workflow.PatencyCheck, workflow.SiteCheck,
		workflow.PostRemovalCheck, workflow.ConfirmBandState, workflow.SettleVolume, workflow.Titration, workflow.UlnarCompression:
	case workflow.PatientTeaching:
		return at, false // nobody comes for it alone
	}
	return t.Due, true
}

// waitsForLook reports whether nothing but a look or a test withholds the Task.
func waitsForLook(t *workflow.Task) bool {
	return !slices.ContainsFunc(t.Withheld, func(w workflow.Withheld) bool { return !w.Evidence })
}

// late is how long after its time somebody comes for the Task.
func (b *bed) late(t *workflow.Task) time.Duration {
	key := visitKey{t.Key, t.Priority}
	d, drawn := b.comes[key]
	if !drawn {
		d = b.drawLate(t)
		b.comes[key] = d
	}
	return d
}

func (b *bed) drawLate(t *workflow.Task) time.Duration {
	n := b.rates.Nursing
	switch {
	case t.Key.Code == workflow.ClinicianReview && t.Priority == workflow.Stat:
		return wait(b.r, n.Review/3)
	case t.Key.Code == workflow.ClinicianReview:
		return wait(b.r, n.Review)
	case t.Key.Code == workflow.DischargeCheck:
		return wait(b.r, n.Leave)
	case t.Priority == workflow.Stat || t.Priority == workflow.ASAP:
		return wait(b.r, n.AtOnce)
	case chance(b.r, n.Forgotten):
		return n.ForgottenFor + wait(b.r, n.Delay)
	}
	return wait(b.r, n.Delay)
}

// answer is the clinician's: the review is closed.
func (b *bed) answer(t *workflow.Task, at time.Time) {
	b.step(workflow.Charted{
		Stamp:   b.stamp(at),
		Updates: []workflow.TaskUpdate{{Task: t.Key, Status: workflow.TaskCompleted, By: "clinician"}},
	})
}
