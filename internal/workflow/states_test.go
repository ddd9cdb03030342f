package workflow_test

import (
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/workflow"
)

// TestStatesAreDocumented: STATES.md names every state.
func TestStatesAreDocumented(t *testing.T) {
	page, err := os.ReadFile("STATES.md")
	require.NoError(t, err)
	for _, s := range []workflow.TaskStatus{
		workflow.TaskDraft, workflow.TaskReady, workflow.TaskInProgress, workflow.TaskOnHold,
		workflow.TaskCompleted, workflow.TaskCancelled, workflow.TaskRejected, workflow.TaskFailed,
	} {
		require.Contains(t, string(page), string(s))
	}
	for _, s := range []workflow.PlanStatus{workflow.PlanActive, workflow.PlanOnHold, workflow.PlanCompleted, workflow.PlanRevoked} {
		require.Contains(t, string(page), "> "+string(s)+":")
	}
	for _, s := range []workflow.BookState{workflow.BookKnown, workflow.BookUncertain, workflow.BookUnknown} {
		require.Contains(t, string(page), "`"+string(s)+"`")
	}
	for _, l := range []workflow.Lateness{workflow.DueSoon, workflow.Overdue, workflow.Escalated} {
		require.Contains(t, string(page), "`"+string(l)+"`")
	}
}

// diagrams gives the two Mermaid blocks of STATES.md: of a Task and of the plan.
func diagrams(t *testing.T) (task, plan string) {
	t.Helper()
	page, err := os.ReadFile("STATES.md")
	require.NoError(t, err)
	blocks := regexp.MustCompile("(?s)```mermaid\n.*?```").FindAllString(string(page), -1)
	require.Len(t, blocks, 2)
	return blocks[0], blocks[1]
}

// arrows gives the transitions that a diagram draws between states.
func arrows(diagram string) []string {
	var list []string
	for _, m := range regexp.MustCompile(`(?m)^\s+([a-z-]+) --> ([a-z-]+):`).FindAllStringSubmatch(diagram, -1) {
		list = append(list, m[1]+" --> "+m[2])
	}
	return list
}

// TestStatesAreDrawn: the stories go along no transition that STATES.md does not draw, and
// along each that it draws. Within one input there may be two.
func TestStatesAreDrawn(t *testing.T) {
	task, plan := diagrams(t)
	drawn, drawnPlan := arrows(task), arrows(plan)
	seen := map[string]bool{}
	note := func(arrows []string, from, to string) {
		arrow := from + " --> " + to
		if from != "" && from != to && !seen[arrow] {
			require.True(t, reaches(arrows, from, to), "STATES.md does not draw %s", arrow)
			seen[arrow] = true
		}
	}
	playStories(t, func(s *story) {
		s.watch = func(before, after *workflow.Episode) {
			for _, now := range after.Tasks {
				if was := before.Task(now.Key); was != nil {
					note(drawn, string(was.Status), string(now.Status))
				}
			}
			note(drawnPlan, string(before.Plan.Status), string(after.Plan.Status))
		}
	})
	var unseen []string
	for _, arrow := range slices.Concat(drawn, drawnPlan) {
		if !seen[arrow] {
			unseen = append(unseen, arrow)
		}
	}
	require.Empty(t, unseen, "drawn in STATES.md, and no story goes along it")
}

// reaches reports whether one state leads to the other, by one arrow or, within one input,
// by two.
func reaches(arrows []string, from, to string) bool {
	return slices.ContainsFunc(arrows, func(a string) bool {
		start, middle, _ := strings.Cut(a, " --> ")
		return start == from && (middle == to || slices.Contains(arrows, middle+" --> "+to))
	})
}

// TestClinicalStates: docs/clinical.md shows the diagrams of STATES.md.
func TestClinicalStates(t *testing.T) {
	task, plan := diagrams(t)
	checkMade(t, "task", task)
	checkMade(t, "plan", plan)
}
