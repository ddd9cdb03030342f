package bedside

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"
)

// watch is how long after an act the nurse looks at what it did.
const watch = 2 * time.Minute

// poll is how often the nurse looks at the screen, in real time.
const poll = 60 * time.Millisecond

// Play plays one case against a sandbox until its plan is ended: a smooth start, one bleed
// after the given release (0: none), and the way to discharge. It tells what happens to out
// as it happens. The clock must run by itself, or somebody must turn it.
func Play(ctx context.Context, c *Client, x Case, bleedAfter int, out io.Writer) error {
	return Manner{Clock: screenClock{c}, BleedAfter: bleedAfter, Out: out}.Play(ctx, c, x)
}

// play is one case being played.
type play struct {
	Manner
	client    *Client
	story     Case
	patient   *patient
	late      map[string]time.Duration // by Task
	subject   string                   // Patient/id
	procedure string                   // Procedure/id
	plan      string                   // CarePlan/id
	now       time.Time
}

// begin sends the event and waits until the plan can be read.
func (p *play) begin(ctx context.Context) error {
	if err := p.client.Send(ctx, p.story.Event()); err != nil {
		return err
	}
	p.now = p.story.Version
	p.tell("EHR", fmt.Sprintf("tells over JetStream: %s done through the %s wrist, %s mL in the band", p.story.Kind, p.story.Side, p.story.Volume))
	for ctx.Err() == nil {
		plan, err := p.find(ctx)
		if err != nil {
			return err
		}
		if plan != nil {
			tasks, err := p.client.Tasks(ctx, p.subject)
			if err != nil {
				return err
			}
			p.tell("fhirsvc", fmt.Sprintf("has a plan of %d Tasks, the end at about %s. %s", len(tasks), plan.forecast(), next(tasks)))
			return nil
		}
		pause(ctx, poll)
	}
	return ctx.Err()
}

type planJSON struct {
	ID     string
	Status string
	Period struct{ End time.Time }
}

func (p planJSON) forecast() string { return clockTime(p.Period.End) }

// find reads Procedure, Patient and CarePlan back; nil while they are not there.
func (p *play) find(ctx context.Context) (*planJSON, error) {
	found, err := p.client.Search(ctx, "Procedure?identifier="+p.story.Procedure())
	if err != nil || len(found) == 0 {
		return nil, err
	}
	var procedure struct {
		ID      string
		Subject struct{ Reference string }
	}
	if err := json.Unmarshal(found[0], &procedure); err != nil {
		return nil, err
	}
	p.procedure, p.subject = "Procedure/"+procedure.ID, procedure.Subject.Reference
	return p.readPlan(ctx)
}

func (p *play) readPlan(ctx context.Context) (*planJSON, error) {
	found, err := p.client.Search(ctx, "CarePlan?patient="+p.subject)
	if err != nil || len(found) == 0 {
		return nil, err
	}
	var plan planJSON
	err = json.Unmarshal(found[0], &plan)
	p.plan = "CarePlan/" + plan.ID
	return &plan, err
}

// turn does the next thing whose time has come, or waits a little. It reports whether
// the plan has ended.
func (p *play) turn(ctx context.Context) (done bool, err error) {
	plan, err := p.readPlan(ctx)
	if err != nil {
		return false, err
	}
	if plan == nil {
		return false, errors.New("the plan is gone")
	}
	if ended(plan.Status) {
		p.tell("fhirsvc", "the plan is "+plan.Status)
		return true, nil
	}
	if p.now, err = p.Clock.Now(ctx); err != nil {
		return false, err
	}
	if !p.Until.IsZero() && !p.now.Before(p.Until) {
		return true, nil
	}
	tasks, err := p.client.Tasks(ctx, p.subject)
	if err != nil {
		return false, err
	}
	order := statFirst(tasks)
	i := slices.IndexFunc(order, p.isTime)
	if i < 0 {
		return false, p.Clock.Wait(ctx, p.nextVisit(tasks))
	}
	return false, p.do(ctx, order[i], tasks)
}

// isTime reports whether the nurse goes and does the Task now.
func (p *play) isTime(t Task) bool { return t.Turn() && !p.visit(t).After(p.now) }

// visit is when the nurse comes for a Task: for an act at its earliest time, for a look when
// it is due, and as late as she is.
func (p *play) visit(t Task) time.Time {
	at := t.Due
	switch t.Code {
	case "release-step", "band-removal", "dressing", "arrival-check", "discharge-check", "clinician-review",
		"restore-compression", "ease-compression", "control-bleeding":
		at = t.Start
	}
	if (t.Priority == "stat" || t.Priority == "asap") && !p.Afterwards {
		return t.Start
	}
	if at.Before(t.Start) { // due at no time
		at = t.Start
	}
	if p.Late == nil {
		return at
	}
	d, drawn := p.late[t.ID]
	if !drawn {
		d = p.Late()
		p.late[t.ID] = d
	}
	return at.Add(d)
}

// lookAgain is how long a nurse leaves the screen alone when it names no time.
const lookAgain = 5 * time.Minute

// nextVisit is when to look at the screen again: when the next Task is to be done, whoever's
// turn it is by then.
func (p *play) nextVisit(tasks []Task) time.Time {
	next := p.now.Add(lookAgain)
	for _, t := range tasks {
		if at := p.visit(t); t.Open() && at.After(p.now) && at.Before(next) {
			next = at
		}
	}
	return next
}

// do does a Task: first the act, then, a little later, the look at what it did.
func (p *play) do(ctx context.Context, t Task, before []Task) error {
	if t.Code == "band-removal" {
		p.patient.on = false
	}
	did, err := p.chartAll(ctx, t, isAct, func(code string) (Finding, string) { return p.patient.act(code, t.Planned) })
	if err != nil {
		return err
	}
	if len(did) > 0 {
		if err := p.waitFor(ctx, watch); err != nil {
			return err
		}
	}
	seen, err := p.chartAll(ctx, t, func(code string) bool { return !isAct(code) }, p.patient.look)
	if err != nil {
		return err
	}
	did = append(did, seen...)
	if len(t.Required) == 0 {
		if err := p.complete(ctx, t); err != nil {
			return err
		}
		did = append(did, "done")
	}
	tasks, err := p.client.Tasks(ctx, p.subject)
	if err != nil {
		return err
	}
	p.tell(who(t).Name, fmt.Sprintf("%s: %s%s. %s%s", t.label(), strings.Join(did, ", "), served(t, before, tasks), inBand(tasks), next(tasks)))
	return nil
}

// chartAll charts what the Task asks for and the filter lets through, and says it.
func (p *play) chartAll(ctx context.Context, t Task, filter func(code string) bool, find func(code string) (Finding, string)) ([]string, error) {
	var said []string
	for _, code := range t.Required {
		if !filter(code) {
			continue
		}
		f, words := find(code)
		f.At, f.By, f.Patient, f.PartOf, f.Side = p.now, who(t), p.subject, p.procedure, p.story.Side
		if _, err := p.client.Create(ctx, "Observation", f.Observation()); err != nil {
			return said, err
		}
		said = append(said, words)
	}
	return said, nil
}

// complete says that a Task without findings is done.
func (p *play) complete(ctx context.Context, t Task) error {
	patch := list{object{"op": "replace", "path": "/status", "value": "completed"}}
	if t.Began.IsZero() && t.Ended.IsZero() {
		patch = append(patch, object{"op": "add", "path": "/executionPeriod", "value": object{"end": stamp(p.now)}})
	}
	_, err := p.client.Patch(ctx, "Task/"+t.ID, mustJSON(patch))
	return err
}

// waitFor waits until the service's clock has gone on by d.
func (p *play) waitFor(ctx context.Context, d time.Duration) error {
	until := p.now.Add(d)
	for p.now.Before(until) {
		err := p.Clock.Wait(ctx, until)
		if err == nil {
			p.now, err = p.Clock.Now(ctx)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

func pause(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
	case <-ctx.Done():
	}
}
