package fhir

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/workflow"
)

// What goes on is said to go on, however short it is until now: "none" beside a site that bleeds
// would be read as no bleed.
func TestBleedsInWords(t *testing.T) {
	began := clockAt("2026-11-25T13:32:00Z")
	for name, tt := range map[string]struct {
		running bool
		to      time.Duration // after which it was dry; 0: never yet
		want    string
	}{
		"goes on":        {true, 0, "still bleeding"},
		"seen dry":       {true, 6 * time.Minute, "bled 6 min"},
		"soon dry":       {true, 20 * time.Second, "bled less than 1 min"},
		"never seen dry": {false, 0, "not seen dry"},
	} {
		t.Run(name, func(t *testing.T) {
			s := story{at: began, running: tt.running}
			x := workflow.Span{Kind: workflow.SpanBleeding, From: began}
			if tt.to > 0 {
				x.To = began.Add(tt.to)
			}
			_, b := s.spanBar(x, began.Add(time.Hour))
			require.Equal(t, tt.want, b.Label)
		})
	}
}

// The picture of a plan that has ended is as wide whenever somebody asks for it.
func TestAnEndedPlanIsDrawnAsWideTheDayAfter(t *testing.T) {
	plan := endedTimeline()
	c := Context{Plan: "plan"}
	soon, late := c.draw(plan, plan.Plan.End), c.draw(plan, plan.Plan.End.Add(24*time.Hour))
	require.Equal(t, soon.From, late.From)
	require.Equal(t, soon.To, late.To)

	plan.Plan.Status = workflow.PlanActive
	require.True(t, c.draw(plan, plan.Plan.End.Add(time.Hour)).To.After(soon.To), "while it runs, now is on it")
}

// What is planned for one minute is not planned from it to itself.
func TestPlannedForOneMinute(t *testing.T) {
	at := clockAt("2026-11-25T15:25:00Z")
	s := story{Context: Context{page: at}}
	require.Equal(t, " (planned 15:25)", s.planWords(workflow.Act{From: at, Due: at.Add(30 * time.Second)}))
	require.Equal(t, " (planned 15:25 to 15:35)", s.planWords(workflow.Act{From: at, Due: at.Add(10 * time.Minute)}))
}
