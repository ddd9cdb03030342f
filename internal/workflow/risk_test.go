package workflow_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/workflow"
)

// TestRisksAreKeptApart: what speaks for bleeding and what for occlusion are two lists.
func TestRisksAreKeptApart(t *testing.T) {
	s := modelStarts()[len(modelStarts())-1] // the intervention starter, INR 2.5
	change := s.change
	s.change = func(ev *workflow.Event) {
		change(ev)
		ev.Sheath, ev.Drugs = decimal("6"), []workflow.Drug{workflow.Heparin, workflow.GlycoproteinInhibitor}
	}
	b := s.bed(t)
	got := b.e.Plan.Summary
	require.Len(t, got.BleedingRisk, 2)
	require.Contains(t, got.BleedingRisk[0], "INR 2.5")
	require.Contains(t, got.BleedingRisk[1], "glycoprotein inhibitor")
	require.Len(t, got.OcclusionRisk, 1)
	require.Contains(t, got.OcclusionRisk[0], "6 French")

	enter(t, &b, at(10, 12), at(10, 12), b.well(0, workflow.Bleeding), b.finding(1, workflow.Patency, workflow.Occluded, nil))
	enter(t, &b, at(10, 20), at(10, 20), b.finding(0, workflow.Bleeding, workflow.Active, nil))
	enter(t, &b, at(10, 21), at(10, 21), b.finding(0, workflow.AirAdded, "", decimal("1")))
	got = b.e.Plan.Summary
	require.Contains(t, got.BleedingRisk, "bleeds under the band: 1")
	require.Len(t, got.OcclusionRisk, 2, "the test before the air was put back says nothing any more")
}
