package workflow_test

import (
	"os"
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
