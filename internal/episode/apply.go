package episode

import (
	"context"
	"fmt"
	"strings"
	"time"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/store"
	"fhirsvc/internal/workflow"
)

// Apply gives the plan that a protocol would give, as a draft, and the patient that it was
// asked for. The protocol is a stored PlanDefinition, body the Parameters of R4's $apply. It
// is the same core as for every plan that steps, and nothing is stored. Errors: the
// content's issues; business-rule for a patient who is not known to these units.
func (s *Service) Apply(ctx context.Context, u Units, plan store.Resource, body []byte) (draft []byte, patient string, err error) {
	a, protocol, err := s.application(plan, body)
	if err != nil {
		return nil, "", err
	}
	for _, named := range [][2]string{{"subject", a.Subject}, {"encounter", a.Encounter}, {"practitioner", a.Practitioner}} {
		if err := s.known(ctx, u, named[1], a.At[named[0]]); err != nil {
			return nil, "", err
		}
	}
	event, told := s.supposed(a, protocol)
	core, _, err := s.step(workflow.New("draft", protocol, ""), workflow.Started{
		Stamp: workflow.Stamp{At: event.Recorded, ID: "apply"}, Event: event,
	})
	if err != nil {
		return nil, "", asFault(err)
	}
	ids := map[workflow.TaskKey]string{}
	for i, t := range core.Tasks {
		ids[t.Key] = fmt.Sprintf("task-%d", i+1)
	}
	c := fhir.Context{
		Refs: event.Refs, Protocol: protocol, Software: s.Software, Terminology: s.Terminology, Zone: s.Zone,
		TaskID: func(k workflow.TaskKey) string { return ids[k] },
	}
	draft, err = fhir.RenderDraft(fhir.Draft{Plan: core.Plan, Tasks: core.Tasks, Told: told, Practitioner: a.Practitioner}, c)
	if err == nil {
		err = sound(s.Incoming, draft) // it is held to R4, since the profile is that of a stored plan
	}
	return draft, a.Subject, err
}

// application reads what was asked, and the protocol.
func (s *Service) application(plan store.Resource, body []byte) (*fhir.Application, *workflow.Protocol, error) {
	const op = "apply"
	doc, issues := tree.Parse(body)
	if doc != nil && !outcome.HasErrors(issues) {
		issues = s.Incoming.Resource(body)
	}
	if doc == nil || outcome.HasErrors(issues) {
		return nil, nil, outcome.Reject(op, issues)
	}
	a, issues := fhir.DecodeApplication(doc)
	if a == nil {
		return nil, nil, outcome.Reject(op, issues)
	}
	protocol, issues := fhir.ParseProtocol(plan.Body)
	if protocol == nil {
		return nil, nil, fmt.Errorf("%s %s: a stored protocol can't be read: %w", op, plan.ID, outcome.Reject(op, issues))
	}
	if a.Kind != "" && a.Kind != protocol.Applies.Kind {
		return nil, nil, outcome.Reject(op, []outcome.Issue{outcome.Errorf(outcome.CodeBusinessRule, a.At["kind"],
			"this protocol is for a procedure of kind %s", protocol.Applies.Kind)})
	}
	return a, protocol, nil
}

// known refuses a reference to what these units do not see.
func (s *Service) known(ctx context.Context, u Units, reference, at string) error {
	if reference == "" {
		return nil
	}
	resourceType, id, _ := strings.Cut(reference, "/")
	_, err := s.see(ctx, u, resourceType, id)
	if notFound(err) {
		return outcome.Reject("apply", []outcome.Issue{outcome.Errorf(outcome.CodeBusinessRule, at, "this %s is not known here", resourceType)})
	}
	return err
}

// supposed is the event that the draft starts from, and what it says in words. What was not
// asked is taken from the clock and from the protocol.
func (s *Service) supposed(a *fhir.Application, p *workflow.Protocol) (workflow.Event, []string) {
	start, volume, side := a.Start, a.Volume, a.Side
	var supposed []string
	if start.IsZero() {
		start = s.Now().Truncate(time.Minute)
		supposed = append(supposed, "the start is now")
	}
	if volume == nil {
		volume = &p.InitialMax
		supposed = append(supposed, "the volume is the largest that the protocol is made for")
	}
	if side == "" {
		side = workflow.Right
		supposed = append(supposed, "the wrist is the right one")
	}
	e := workflow.Event{
		Order: start, Recorded: start, PerformedEnd: start, CompressionStart: start, Kind: p.Applies.Kind, Side: side, Volume: volume,
		Refs: workflow.Refs{Subject: a.Subject, Encounter: a.Encounter},
	}
	told := []string{
		fmt.Sprintf("Compression starts at %s with %s mL at the %s wrist, after a procedure of kind %s.",
			fhir.ClockWords(start, s.Zone), volume, side, e.Kind),
		"Nothing else is known of the patient here: no drugs, no INR, no sheath, and nobody has looked yet.",
	}
	if len(supposed) > 0 {
		told = append(told, "Not asked and supposed: "+strings.Join(supposed, "; ")+".")
	}
	if _, why := workflow.Select([]*workflow.Protocol{p}, e); why != "" {
		told = append(told, "An event that tells no more than this would not be given this protocol: "+why+".")
	}
	return e, told
}
