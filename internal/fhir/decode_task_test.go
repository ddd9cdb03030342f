package fhir

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/workflow"
)

const storedTask = `{"resourceType":"Task","id":"t","meta":{"versionId":"3"},"text":{"status":"generated","div":"<div/>"},
	"status":"ready","intent":"order","priority":"routine","lastModified":"2026-03-04T10:00:00Z",
	"restriction":{"period":{"start":"2026-03-04T10:00:00Z","end":"2026-03-04T10:15:00Z"}},
	"input":[{"type":{"text":"x"},"valueQuantity":{"value":3.0,"code":"mL"}}],
	"note":[{"authorString":"fhirsvc","text":"12 mL"}],
	"output":[{"type":{"coding":[{"system":"` + SystemLocal + `","code":"hand-check"}]},"valueReference":{"reference":"Observation/1"}}]}`

func taskChange(t *testing.T, body string) (*TaskChange, []outcome.Issue) {
	t.Helper()
	return DecodeTask(parsed(t, storedTask), parsed(t, body), "")
}

func with(from, to string) string { return strings.Replace(storedTask, from, to, 1) }

func TestDecodeTaskUnchanged(t *testing.T) {
	for name, body := range map[string]string{
		"the same":              storedTask,
		"numbers another way":   with("3.0", "3"),
		"members another way":   with(`"intent":"order","priority":"routine",`, `"priority":"routine","intent":"order",`),
		"without its narrative": with(`"text":{"status":"generated","div":"<div/>"},`, ""),
		"without outputs": with(`,
	"output":[{"type":{"coding":[{"system":"`+SystemLocal+`","code":"hand-check"}]},"valueReference":{"reference":"Observation/1"}}]`, ""),
		"without notes":            with(`"note":[{"authorString":"fhirsvc","text":"12 mL"}],`, ""),
		"modified at another time": with("10:00:00Z\",\n\t\"restriction", "11:00:00Z\",\n\t\"restriction"),
	} {
		t.Run(name, func(t *testing.T) {
			if name != "the same" {
				require.NotEqual(t, storedTask, body)
			}
			c, issues := taskChange(t, body)
			require.NotNil(t, c, "%v", issues)
			require.True(t, c.Empty)
		})
	}
}

func TestDecodeTaskChanges(t *testing.T) {
	c, issues := taskChange(t, strings.NewReplacer(
		`"status":"ready"`, `"status":"completed","statusReason":{"text":"done early"},"owner":{"reference":"Practitioner/7","display":"Ine Falk"},
			"executionPeriod":{"start":"2026-03-04T11:01:00+01:00","end":"2026-03-04T11:03:00+01:00"}`,
		`"note":[`, `"note":[{"text":"dry","authorReference":{"reference":"Practitioner/7"},"time":"2026-03-04T10:03:00Z"},`,
		`"output":[`, `"output":[{"type":{"coding":[{"system":"`+SystemLocal+`","code":"access-site-bleeding"}]},"valueReference":{"reference":"Observation/2"}},`,
	).Replace(storedTask))
	require.NotNil(t, c, "%v", issues)
	owner := "Practitioner/7"
	require.Equal(t, workflow.TaskUpdate{
		Status: workflow.TaskCompleted, Reason: "done early", Owner: &owner,
		Outputs: []workflow.Output{{Code: workflow.Bleeding, Finding: "2"}},
		Notes:   []workflow.Note{{Text: "dry", By: "Practitioner/7", At: time.Date(2026, 3, 4, 10, 3, 0, 0, time.UTC)}},
		Start:   time.Date(2026, 3, 4, 10, 1, 0, 0, time.UTC), End: time.Date(2026, 3, 4, 10, 3, 0, 0, time.UTC),
	}, c.Update)
	require.False(t, c.Claim, "what is finished is not claimed")

	c, _ = taskChange(t, with(`"status":"ready"`, `"status":"in-progress","owner":{"display":"Ine Falk"}`))
	require.True(t, c.Claim)
}

func TestDecodeTaskFaults(t *testing.T) {
	for name, tt := range map[string]struct{ body, at string }{
		"an input":           {with("3.0", "4"), "Task.input"},
		"the due time":       {with("10:15", "12:15"), "Task.restriction"},
		"a new element":      {with(`"intent"`, `"description":"x","intent"`), "Task.description"},
		"an element is out":  {with(`"priority":"routine",`, ""), "Task.priority"},
		"draft":              {with(`"ready"`, `"draft"`), "Task.status"},
		"accepted":           {with(`"ready"`, `"accepted"`), "Task.status"},
		"output of a number": {with(`"output":[`, `"output":[{"type":{"coding":[{"system":"`+SystemLocal+`","code":"hand-check"}]},"valueInteger":1},`), "Task.output.value"},
		"output unknown":     {with(`"output":[`, `"output":[{"type":{"text":"x"},"valueReference":{"reference":"Observation/9"}},`), "Task.output.type"},
		"a date":             {with(`"intent"`, `"executionPeriod":{"end":"2026-03-04"},"intent"`), "Task.executionPeriod.end"},
	} {
		t.Run(name, func(t *testing.T) {
			c, issues := taskChange(t, tt.body)
			require.Nil(t, c)
			require.Len(t, issues, 1)
			require.Equal(t, tt.at, issues[0].Expression)
		})
	}
}

func TestDecodeRequest(t *testing.T) {
	of := func(code, more string) string {
		return `{"resourceType":"ServiceRequest","status":"active","intent":"order","code":{"coding":[{"system":"` + SystemLocal + `","code":"` + code + `"}]},
			"subject":{"reference":"Patient/1"},"requester":{"reference":"Practitioner/7","display":"Dr Falk"},"reasonCode":[{"text":"agitated"}],"authoredOn":"2026-03-04T10:00:00Z"` + more + `}`
	}
	at := func(minute int) time.Time { return time.Date(2026, 3, 4, 10, minute, 0, 0, time.UTC) }
	two := workflow.MustDecimal("2")
	for code, tt := range map[string]struct {
		more string
		want workflow.Order
	}{
		"hold":              {"", workflow.Order{}},
		"resume":            {"", workflow.Order{}},
		"pause-release":     {`,"occurrencePeriod":{"start":"2026-03-04T10:00:00Z","end":"2026-03-04T10:20:00Z"}`, workflow.Order{Until: at(20)}},
		"override-time":     {`,"occurrenceDateTime":"2026-03-04T10:30:00Z"`, workflow.Order{Time: at(30)}},
		"override-volume":   {"," + strings.Replace(quantity("2", "mL"), "value", "quantity", 1), workflow.Order{Amount: &two}},
		"adjust-volume":     {"," + strings.Replace(quantity("2", "mL"), "value", "quantity", 1), workflow.Order{Amount: &two}},
		"continue-to-empty": {"", workflow.Order{}},
		"no-band-plan":      {"", workflow.Order{}},
		"stop-plan":         {"", workflow.Order{}},
	} {
		t.Run(code, func(t *testing.T) {
			q, issues := DecodeRequest(parsed(t, of(code, tt.more)), "")
			require.NotNil(t, q, "%v", issues)
			tt.want.Code, tt.want.Given, tt.want.By, tt.want.Reason = workflow.OrderCode(code), at(0), "Practitioner/7", "agitated"
			require.Equal(t, tt.want, q.Order)
			require.Equal(t, "Dr Falk", q.Requester)
		})
	}
	for _, tt := range []struct{ from, to, element string }{
		{`"status":"active"`, `"status":"draft"`, "status"},
		{`"intent":"order"`, `"intent":"plan"`, "intent"},
		{`"code":"hold"`, `"code":"dance"`, "code"},
		{`"requester":{"reference":"Practitioner/7","display":"Dr Falk"},`, "", "requester"},
		{`"reasonCode":[{"text":"agitated"}],`, "", "reasonCode"},
		{`"subject":{"reference":"Patient/1"},`, "", "subject"},
	} {
		q, issues := DecodeRequest(parsed(t, strings.Replace(of("hold", ""), tt.from, tt.to, 1)), "")
		require.Nil(t, q, tt.element)
		require.Len(t, issues, 1, tt.element)
		require.Equal(t, "ServiceRequest."+tt.element, issues[0].Expression)
	}
}

// A service's note in an older version that a client sends back is no note of the client.
func TestDecodeNotesLeavesTheServiceOwn(t *testing.T) {
	stored, _ := tree.Parse([]byte(`{"resourceType":"Task","id":"t"}`))
	sent, _ := tree.Parse([]byte(`{"resourceType":"Task","id":"t","note":[{"authorString":"fhirsvc","text":"Volume in the band: 12 mL"},{"text":"asleep"}]}`))
	notes, issues := DecodeNotes(stored, sent, "Task")
	require.Empty(t, issues)
	require.Len(t, notes, 1)
	require.Equal(t, "asleep", notes[0].Text)
}
