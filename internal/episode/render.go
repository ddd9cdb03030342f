package episode

import (
	"fmt"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/workflow"
)

// renderer writes an effect as an R4 resource.
type renderer func(e workflow.Effect, c fhir.Context, v fhir.Version) ([]byte, error)

func renderEffect(e workflow.Effect, c fhir.Context, v fhir.Version) ([]byte, error) {
	switch e := e.(type) {
	case workflow.PutTask:
		return fhir.RenderTask(e.Task, c, v)
	case workflow.PutPlan:
		return fhir.RenderPlan(e.Plan, c, v)
	case workflow.PutFlag:
		return fhir.RenderFlag(e.Flag, c, v)
	case workflow.PutIssue:
		return fhir.RenderIssue(e.Issue, c, v)
	case workflow.PutNotice:
		return fhir.RenderNotice(e.Notice, c, v)
	case workflow.PutTimeline:
		return fhir.RenderTimeline(e.Timeline, c, v)
	case workflow.WakeAt:
	}
	return nil, fmt.Errorf("effect %T is no resource", e)
}

// target names the resource of an effect; key is set for Tasks alone.
func (s *Service) target(episode string, e workflow.Effect) (resourceType, id string, key *workflow.TaskKey) {
	switch e := e.(type) {
	case workflow.PutTask:
		return "Task", s.ids.task(episode, e.Task.Key), &e.Task.Key
	case workflow.PutPlan:
		return "CarePlan", s.ids.plan(episode), nil
	case workflow.PutFlag:
		return "Flag", s.ids.flag(episode, e.Flag.Code), nil
	case workflow.PutIssue:
		return "DetectedIssue", s.ids.issue(episode, e.Issue), nil
	case workflow.PutNotice:
		return "Communication", s.ids.notice(episode, e.Notice), nil
	case workflow.PutTimeline:
		return "DocumentReference", s.ids.timeline(episode), nil
	case workflow.WakeAt:
	}
	return "", "", nil
}

// version renders an effect, with a digest that tells renderings apart that would make another
// version; the body is nil if it is known by that. A plan has a rule of its own, and a
// timeline says its time in many places; for all else every byte counts but version and time.
func (s *Service) version(e workflow.Effect, c fhir.Context, v fhir.Version, known string) (body []byte, sum string, err error) {
	switch e := e.(type) {
	case workflow.PutPlan:
		sum = fhir.PlanDigest(e.Plan, c)
	case workflow.PutTimeline:
		if body, err = s.render(e, c, fhir.Version{ID: v.ID}); err != nil {
			return nil, "", err
		}
		sum = digest(body)
	default:
		body, err = s.render(e, c, v)
		if sum = digest(fhir.WithoutVersion(body)); err != nil || sum == known {
			return nil, sum, err
		}
		return body, sum, nil
	}
	if sum == known {
		return nil, sum, nil
	}
	body, err = s.render(e, c, v)
	return body, sum, err
}

// plainContext is that of what belongs to no episode.
func (s *Service) plainContext() fhir.Context {
	return fhir.Context{Software: s.Software, Terminology: s.Terminology}
}

// contextOf is what rendering needs to know of an episode.
func (s *Service) contextOf(l *loaded) fhir.Context {
	return fhir.Context{
		Episode: l.id, Refs: l.state.Refs, Protocol: l.protocol.Protocol, NoProtocol: l.core.NoProtocol,
		Software: s.Software, Terminology: s.Terminology, Names: l.state.Names, Zone: s.Zone,
		Plan:   s.ids.plan(l.id),
		TaskID: func(k workflow.TaskKey) string { return s.ids.task(l.id, k) },
		Dose:   l.dose,
	}
}
