package fhir

import (
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/workflow"
)

// The examples of what is charted are read as what they show.
func TestGoldenFindings(t *testing.T) {
	at := func(minute int) time.Time { return time.Date(2026, 11, 25, 13, minute, 0, 0, time.UTC) }
	tests := []struct {
		name   string
		decode func(*tree.Document, string) (*Chart, []outcome.Issue)
		want   workflow.Finding
	}{
		{"Observation-hand-check-not-normal", DecodeChart, workflow.Finding{
			Code: workflow.Hand, Found: at(65), Side: workflow.Right, Answer: workflow.Abnormal,
			Signs: []workflow.HandSign{workflow.HandDiscoloured, workflow.HandSlowRefill, workflow.HandTingling},
		}},
		{"Observation-haematoma-graded", DecodeChart, workflow.Finding{
			Code: workflow.Haematoma, Found: at(65), Side: workflow.Right, Answer: workflow.Present, Amount: ml("6.5"), Grade: 2,
		}},
		{"Observation-pain-score", DecodeChart, workflow.Finding{Code: workflow.Pain, Found: at(65), Amount: ml("7")}},
		{"Observation-blood-pressure", DecodeChart, workflow.Finding{Code: workflow.Pressure, Found: at(65), Amount: ml("86")}},
		{"MedicationAdministration-heparin", DecodeDose, workflow.Finding{Code: workflow.Anticoagulant, Drug: workflow.Heparin, Found: at(50)}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			body, err := os.ReadFile("../../testdata/fhir/" + tt.name + ".json")
			require.NoError(t, err)
			c, issues := tt.decode(parsed(t, string(body)), "")
			require.NotNil(t, c, "%v", issues)
			require.Empty(t, c.Warnings)
			got := c.Finding
			got.Text = ""
			require.Equal(t, tt.want, got)
		})
	}
}
