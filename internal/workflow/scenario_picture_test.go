package workflow_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/cockroachdb/datadriven"
	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/workflow"
)

// pictured are the stories of which the picture is golden: one for each thing that it has
// to show.
func pictured() []string {
	return []string{
		"smooth_diagnostic", "two_bleeds", "count_contradicts", "missing_initial_volume", "order_to_hold", "transfer",
		"band_replaced", "late_check", "occluded_at_empty", "stopped_with_band_on",
	}
}

// TestPictures draws stories to their last line; -update rewrites testdata/fhir/timeline.
func TestPictures(t *testing.T) {
	for _, name := range pictured() {
		t.Run(name, func(t *testing.T) {
			s := &story{t: t}
			datadriven.RunTest(t, filepath.Join("testdata/scenario", name+".txt"), func(t *testing.T, d *datadriven.TestData) string {
				s.t, s.d = t, d
				s.run()
				return d.Expected
			})
			c := fhir.Context{
				Episode: "e1", Plan: "plan1", Protocol: s.e.Protocol, NoProtocol: s.e.NoProtocol, Zone: time.FixedZone("", 3600),
				TaskID: func(k workflow.TaskKey) string { return strings.ReplaceAll(k.String(), "/", "-") },
			}
			svg := fhir.DrawTimeline(s.e.Timeline(), c, s.now)
			path := filepath.Join("../../testdata/fhir/timeline", name+".svg")
			if *updateDocs {
				require.NoError(t, os.MkdirAll(filepath.Dir(path), 0o755))
				require.NoError(t, os.WriteFile(path, svg, 0o644))
			}
			want, err := os.ReadFile(path)
			require.NoError(t, err)
			require.Equal(t, string(want), string(svg))
		})
	}
}
