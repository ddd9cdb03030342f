package workflow_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/workflow"
)

// visit is one time at which somebody was at the bedside: what was charted within the
// protocol's visit of its first entry.
type visit struct {
	from, to time.Time
	served   []workflow.TaskCode // of the Tasks that it ended
}

// visitsOf groups what was charted in the story.
func visitsOf(t *testing.T, path string) []visit {
	t.Helper()
	var visits []visit
	playStory(t, path, func(s *story) {
		s.watch = func(before, after *workflow.Episode) {
			at := charted(before, after)
			if at.IsZero() {
				return
			}
			n := len(visits)
			if n == 0 || at.Sub(visits[n-1].from) > after.Protocol.Visit {
				visits = append(visits, visit{from: at})
				n++
			}
			visits[n-1].to = at
			for _, now := range after.Tasks {
				if was := before.Task(now.Key); now.Status == workflow.TaskCompleted && (was == nil || was.Status != now.Status) {
					visits[n-1].served = append(visits[n-1].served, now.Key.Code)
				}
			}
		}
	})
	return visits
}

// charted is when something was found or done in the step, zero if only time passed.
func charted(before, after *workflow.Episode) time.Time {
	if len(after.Findings) > len(before.Findings) {
		return after.Findings[len(after.Findings)-1].When()
	}
	for _, now := range after.Tasks {
		if was := before.Task(now.Key); now.Status == workflow.TaskCompleted && was != nil && was.Status != now.Status {
			return now.End
		}
	}
	return time.Time{}
}

// TestClinicalVisits counts the visits that a smooth intervention asks for from arrival to
// the check before discharge, and holds the table in docs/clinical.md against it. About
// fifteen is what the design aims at: BC Emergency Health Services PR32 asks for a look
// every 15 min alone, which makes twenty-four in six hours.
func TestClinicalVisits(t *testing.T) {
	visits := visitsOf(t, "testdata/scenario/smooth_intervention.txt")
	served := map[workflow.TaskCode]int{}
	rows := [][]string{{"visit", "at", "Tasks done"}}
	for i, v := range visits {
		when := hhmm(v.from)
		if !v.to.Equal(v.from) {
			when += " to " + hhmm(v.to)
		}
		var done []string
		for _, code := range v.served {
			served[code]++
			done = append(done, "`"+string(code)+"`")
		}
		rows = append(rows, []string{fmt.Sprint(i + 1), when, strings.Join(done, ", ")})
	}
	total := 0
	for _, n := range served {
		total += n
	}
	require.LessOrEqual(t, len(visits), 16)
	require.Equal(t, 1, served[workflow.DischargeCheck], "the story does not go to the end")
	every15 := int(6 * time.Hour / (15 * time.Minute))
	checkMade(t, "visits", fmt.Sprintf("**%d visits** for %d Tasks, from %s to %s; a look every 15 min for six hours would be %d.\n\n%s",
		len(visits), total, hhmm(visits[0].from), hhmm(visits[len(visits)-1].to), every15, table(rows)))
	require.True(t, slices.IsSortedFunc(visits, func(a, b visit) int { return a.from.Compare(b.from) }))
}
