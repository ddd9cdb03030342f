package outcome

import (
	"encoding/json"
	"strings"
)

type resource struct {
	ResourceType string      `json:"resourceType"`
	Issue        []issueJSON `json:"issue"`
}

type issueJSON struct {
	Severity    Severity     `json:"severity"`
	Code        Code         `json:"code"`
	Details     *detailsJSON `json:"details,omitempty"`
	Diagnostics string       `json:"diagnostics,omitempty"`
	Expression  []string     `json:"expression,omitempty"`
}

type detailsJSON struct {
	Text string `json:"text"`
}

// JSON renders issues as an R4 OperationOutcome. With no issue it says that all is
// well, since OperationOutcome.issue is 1..* (hl7.org/fhir/R4/operationoutcome.html).
func JSON(issues []Issue) []byte {
	if len(issues) == 0 {
		issues = []Issue{{Severity: SeverityInformation, Code: CodeInformational, Details: "all OK"}}
	}
	out := resource{ResourceType: "OperationOutcome"}
	for _, i := range issues {
		j := issueJSON{Severity: i.Severity, Code: i.Code, Diagnostics: text(i.Diagnostics)}
		if i.Details != "" {
			j.Details = &detailsJSON{Text: text(i.Details)}
		}
		if i.Expression != "" {
			j.Expression = []string{text(i.Expression)}
		}
		out.Issue = append(out.Issue, j)
	}
	b, err := json.Marshal(out)
	if err != nil {
		panic(err) // plain strings always marshal
	}
	return b
}

// text is what was received as an R4 string, which has no control characters but tab and line
// breaks (hl7.org/fhir/R4/datatypes.html#string): the sign for what can't be shown stands for
// the others.
func text(s string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' && r != '\t' && r != '\n' && r != '\r' {
			return '\uFFFD'
		}
		return r
	}, s)
}

// JSONOf renders an error as an OperationOutcome: its issues if it carries any,
// else its Kind and Details. The cause and the operation stay inside.
func JSONOf(err error) []byte {
	e := asError(err)
	if len(e.Issues) > 0 {
		return JSON(e.Issues)
	}
	return JSON([]Issue{{Severity: SeverityError, Code: e.Kind, Details: e.Details, Diagnostics: e.Diagnostics}})
}
