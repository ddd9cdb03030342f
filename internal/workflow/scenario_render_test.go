package workflow_test

import (
	"strings"
	"sync"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/profiles"
	"fhirsvc/internal/fhir/validate"
	"fhirsvc/internal/workflow"
)

var rendered = sync.OnceValue(func() *validate.Validator { return validate.New(profiles.Outgoing()) })

// checkRendered: whatever a story leads to is written as R4 that fits its profile.
func (s *story) checkRendered(effects []workflow.Effect) {
	c := fhir.Context{
		Episode: "e1", Plan: "plan1", Protocol: s.e.Protocol, NoProtocol: s.e.NoProtocol, Software: "test",
		TaskID: func(k workflow.TaskKey) string { return strings.ReplaceAll(k.String(), "/", "-") },
	}
	c.Refs.Subject, c.Refs.Procedure = "Patient/p1", "Procedure/x1"
	v := fhir.Version{ID: "x1", Number: 1, At: s.now}
	for _, e := range effects {
		var body []byte
		var err error
		switch e := e.(type) {
		case workflow.PutTask:
			body, err = fhir.RenderTask(e.Task, c, v)
		case workflow.PutPlan:
			body, err = fhir.RenderPlan(e.Plan, c, v)
		case workflow.PutFlag:
			body, err = fhir.RenderFlag(e.Flag, c, v)
		case workflow.PutIssue:
			body, err = fhir.RenderIssue(e.Issue, c, v)
		case workflow.PutNotice:
			body, err = fhir.RenderNotice(e.Notice, c, v)
		case workflow.PutTimeline:
			body, err = fhir.RenderTimeline(e.Timeline, c, v)
		case workflow.WakeAt:
			continue
		}
		require.NoError(s.t, err)
		for _, i := range rendered().Resource(body) {
			require.NotEqual(s.t, outcome.SeverityError, i.Severity, "%s\n%s", i, body)
		}
	}
}
