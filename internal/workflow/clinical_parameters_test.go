package workflow_test

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/api"
	"fhirsvc/internal/workflow"
)

// TestClinicalParameters: the tables of parameters and of lateness in docs/clinical.md are
// the parameters of the core with the values and sources of the two starters.
func TestClinicalParameters(t *testing.T) {
	from := sources(t)
	rows := [][]string{{"parameter", "unit", "allowed", "diagnostic", "intervention", "where the starters' value comes from", "where the limits come from"}}
	for _, a := range workflow.Parameters() {
		if strings.HasPrefix(a.Name, "grace-") {
			continue // the table of lateness
		}
		require.NotEmpty(t, from[a.Name]+shown(a, workflow.Diagnostic), "%s: neither set nor said to be off", a.Name)
		rows = append(rows, []string{
			"`" + a.Name + "`", string(a.Unit), allowed(a), shown(a, workflow.Diagnostic), shown(a, workflow.Intervention),
			orElse(from[a.Name], "off"), a.Source,
		})
	}
	checkMade(t, "parameters", table(rows))
	checkMade(t, "lateness", lateness(t))
}

// lateness is the table of who hears when of what is late.
func lateness(t *testing.T) string {
	t.Helper()
	rows := [][]string{{"Task", "called overdue after its due time by", "nurse in charge told", "clinician asked"}}
	for _, a := range workflow.Parameters() {
		code, found := strings.CutPrefix(a.Name, "grace-overdue-")
		if !found {
			continue
		}
		g := starter(workflow.Diagnostic).Grace[workflow.TaskCode(code)]
		require.Equal(t, g, starter(workflow.Intervention).Grace[workflow.TaskCode(code)], "%s: the starters differ, the table has no room for that", code)
		never := func(minutes float64) string {
			if minutes == 0 {
				return "–"
			}
			return fmt.Sprintf("%.0f min", minutes)
		}
		rows = append(rows, []string{"`" + code + "`", never(g.Overdue.Minutes()), never(g.Nurse.Minutes()), never(g.Clinician.Minutes())})
	}
	return table(rows)
}

func allowed(a workflow.Parameter) string {
	text := "–"
	if a.Low != "" || a.High != "" {
		text = a.Low + " to " + a.High
	}
	if a.Many {
		text += ", several"
	}
	if a.Optional {
		text += ", may be off"
	}
	return strings.TrimPrefix(text, "–, ")
}

// shown is the starter's value; sentences for people are counted, not shown.
func shown(a workflow.Parameter, kind workflow.ProcedureKind) string {
	values := a.Get(starter(kind))
	switch {
	case len(values) == 0:
		return "off"
	case a.Unit == workflow.Text:
		return fmt.Sprintf("%d sentences", len(values))
	}
	return strings.Join(values, ", ")
}

// sources reads where the starters say that their values come from, by parameter: each
// source once.
func sources(t *testing.T) map[string]string {
	t.Helper()
	type extension struct {
		URL         string `json:"url"`
		ValueCode   string `json:"valueCode"`
		ValueString string `json:"valueString"`
		Extension   []extension
	}
	from := map[string]string{}
	for name, body := range api.Protocols() {
		var plan struct{ Extension []extension }
		require.NoError(t, json.Unmarshal(body, &plan), name)
		for _, e := range plan.Extension {
			var parameter, source string
			for _, x := range e.Extension {
				switch x.URL {
				case "name":
					parameter = x.ValueCode
				case "source":
					source = x.ValueString
				}
			}
			require.NotEmpty(t, source, "%s: %s says no source", name, parameter)
			if !strings.Contains(from[parameter], source) {
				from[parameter] = strings.TrimSpace(from[parameter] + " " + source)
			}
		}
	}
	return from
}
