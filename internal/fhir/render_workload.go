package fhir

import (
	"time"

	"fhirsvc/internal/workflow"
)

// RenderWorkload writes how many of the stored Tasks fall due in each quarter of an hour
// from an instant, as R4 Parameters (hl7.org/fhir/R4/parameters.html).
func RenderWorkload(tasks [][]byte, from time.Time, hours int) ([]byte, error) {
	var planned []workflow.Task
	for _, body := range tasks {
		if t, ok := readPlannedTask(body); ok {
			planned = append(planned, t)
		}
	}
	p := parameters{ResourceType: "Parameters"}
	for _, l := range workflow.Workload(planned, from, hours*int(time.Hour/workflow.Quarter)) {
		p.Parameter = append(p.Parameter, parameter{Name: "quarter", Part: []parameter{
			{Name: "from", ValueDateTime: l.From.Format(time.RFC3339)},
			{Name: "tasks", ValueInteger: &l.Tasks},
			{Name: "air", ValueInteger: &l.Air},
		}})
	}
	return encode(p)
}
