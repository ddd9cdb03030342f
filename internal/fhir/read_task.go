package fhir

import (
	"time"

	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/workflow"
)

// readPlannedTask reads of a stored Task what its due time is about: kind, status and
// when it is due. ok is false for what is no Task of this service, or has no due time.
func readPlannedTask(body []byte) (t workflow.Task, ok bool) {
	doc, issues := tree.Parse(body)
	if len(issues) > 0 || doc.Root.Str("resourceType") != "Task" {
		return t, false
	}
	for c := range doc.Root.Get("code").Get("coding").Items() {
		if c.Str("system") == SystemLocal {
			t.Key.Code = workflow.TaskCode(c.Str("code"))
		}
	}
	t.Status = workflow.TaskStatus(doc.Root.Str("status"))
	due, err := time.Parse(time.RFC3339, doc.Root.Get("restriction").Get("period").Str("end"))
	t.Due = due
	return t, t.Key.Code != "" && err == nil
}
