// Package outcome holds what fhirsvc says when content is wrong or a thing could
// not be done: an Issue is a fault in somebody's content (data, collected, all of
// them), an Error is something we could not do (a Go error with an R4 issue type
// as its Kind). Both end as an R4 OperationOutcome at the edge.
//
// It knows the R4 OperationOutcome vocabulary and nothing else: no HTTP status, no
// acknowledgement, no resource.
//
//	issues := []outcome.Issue{{
//		Severity: outcome.SeverityError, Code: outcome.CodeRequired,
//		Expression: "Task.intent", Details: "intent is required",
//	}}
//	body := outcome.JSON(issues)
package outcome
