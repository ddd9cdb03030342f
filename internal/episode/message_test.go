package episode

import (
	"testing"

	"github.com/stretchr/testify/require"
)

func TestMessageStartsAPlan(t *testing.T) {
	b := newBench(t, nil)
	answer, err := b.send(newEvent())
	require.NoError(t, err, issuesOf(err))
	require.False(t, answer.Repeat)
	require.Empty(t, answer.Warnings)
	require.Contains(t, string(answer.Response), `"code":"ok"`)
	require.Len(t, b.all("CarePlan"), 1)
	require.Len(t, b.all("Patient"), 1)
	require.Len(t, b.all("Procedure"), 1)
	require.Len(t, b.all("Observation"), 1)
	require.NotEmpty(t, b.tasks("release-step", "draft"))
	require.NotEmpty(t, b.tasks("site-check", "ready"))
	b.mustReplay(b.theEpisode())
}
