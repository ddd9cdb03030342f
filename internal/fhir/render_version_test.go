package fhir

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/workflow"
)

// Taking the version out gives the very bytes that are rendered without one, also where a text
// looks like it.
func TestWithoutVersion(t *testing.T) {
	t.Parallel()
	c := sampleContext()
	odd := withheldStep()
	odd.Description = `"meta":{"versionId":"1"},`
	tests := map[string]func(v Version) ([]byte, error){
		"Task":         func(v Version) ([]byte, error) { return RenderTask(withheldStep(), c, v) },
		"Task with it": func(v Version) ([]byte, error) { return RenderTask(odd, c, v) },
		"Flag": func(v Version) ([]byte, error) {
			return RenderFlag(workflow.Flag{Code: workflow.FlagBleeding, Active: true}, c, v)
		},
		"DetectedIssue": func(v Version) ([]byte, error) { return RenderIssue(settledIssue(), c, v) },
		"Communication": func(v Version) ([]byte, error) { return RenderNotice(answeredCall(), c, v) },
	}
	for name, render := range tests {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			want, err := render(Version{ID: "a"})
			require.NoError(t, err)
			got, err := render(Version{ID: "a", Number: 12, At: time.Date(2026, 11, 25, 13, 32, 0, 0, time.UTC)})
			require.NoError(t, err)
			require.Equal(t, string(want), string(WithoutVersion(got)))
			require.NotEqual(t, string(want), string(got))
			require.Equal(t, string(want), string(WithoutVersion(want)))
		})
	}
}
