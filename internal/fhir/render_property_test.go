package fhir

import (
	"encoding/json"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"fhirsvc/internal/workflow"
)

// Whatever the core hands over, what leaves holds nothing empty, is read by the strict
// parser and the validator, and has a narrative that is XHTML. Texts are hostile: blank, markup, control
// characters, broken UTF-8.

func anyText() *rapid.Generator[string] {
	return rapid.OneOf(rapid.Just(""), rapid.Just(" \t"), rapid.Just("<b>&amp;\x00\x1f\xfe"), rapid.Just("\uFFFF"), rapid.String(),
		rapid.SampledFrom([]string{"Practitioner/n1", "a|b", "|", "a|", "Device/"}))
}

func anyTime(t *rapid.T, label string) time.Time {
	if rapid.Bool().Draw(t, label+" none") {
		return time.Time{}
	}
	return time.Unix(rapid.Int64Range(0, 4e9).Draw(t, label), rapid.Int64Range(0, 999_999_999).Draw(t, label+" ns"))
}

// spanOf gives a start and an end in order, each perhaps missing.
func spanOf(t *rapid.T, label string) (start, end time.Time) {
	start, end = anyTime(t, label+" start"), anyTime(t, label+" end")
	if !start.IsZero() && !end.IsZero() && end.Before(start) {
		return end, start
	}
	return start, end
}

func anyDecimal(t *rapid.T, label string) workflow.Decimal {
	return workflow.MustDecimal(rapid.StringMatching(`-?(0|[1-9][0-9]{0,3})(\.[0-9]{1,3})?`).Draw(t, label))
}

func oneOf[T ~string](t *rapid.T, label string, values []string) T {
	return T(rapid.SampledFrom(values).Draw(t, label))
}

func anyBook(t *rapid.T) workflow.Book {
	return workflow.Book{
		State:     oneOf[workflow.BookState](t, "book", []string{"known", "uncertain", "unknown", ""}),
		Volume:    anyDecimal(t, "book volume"),
		Why:       rapid.SliceOfN(anyText(), 0, 2).Draw(t, "why"),
		Confirmed: anyTime(t, "confirmed"), By: anyText().Draw(t, "book by"),
	}
}

func anyWithheld(t *rapid.T) []workflow.Withheld {
	return rapid.SliceOfN(rapid.Custom(func(t *rapid.T) workflow.Withheld {
		return workflow.Withheld{Reason: anyText().Draw(t, "reason"), Lifter: anyText().Draw(t, "lifter"), Again: anyTime(t, "again")}
	}), 0, 3).Draw(t, "withheld")
}

func anyTask(t *rapid.T, codes, statuses, findings []string) workflow.Task {
	k := workflow.Task{
		Key: workflow.TaskKey{
			Code:    oneOf[workflow.TaskCode](t, "code", codes),
			Purpose: rapid.SampledFrom([]string{"", "arrival", "at-empty"}).Draw(t, "purpose"), Ordinal: rapid.IntRange(1, 99).Draw(t, "ordinal"),
		},
		Status:       oneOf[workflow.TaskStatus](t, "status", statuses),
		StatusReason: anyText().Draw(t, "status reason"),
		Lateness:     oneOf[workflow.Lateness](t, "lateness", []string{"", "due-soon", "overdue", "escalated"}),
		Priority:     oneOf[workflow.Priority](t, "priority", []string{"", "routine", "urgent", "asap", "stat"}),
		Description:  anyText().Draw(t, "description"), Owner: anyText().Draw(t, "owner"),
		Withheld: anyWithheld(t),
	}
	k.Authored, k.Changed = spanOf(t, "authored")                    // inv-1
	k.NotBefore, k.Due = anyTime(t, "not before"), anyTime(t, "due") // in any order
	k.Start, k.End = anyTime(t, "start"), anyTime(t, "end")
	for _, f := range rapid.SliceOfN(rapid.SampledFrom(findings), 0, 4).Draw(t, "required") {
		k.Required = append(k.Required, workflow.FindingCode(f))
	}
	for _, f := range rapid.SliceOfN(rapid.SampledFrom(findings), 0, 4).Draw(t, "outputs") {
		id := rapid.SampledFrom([]string{"", "o1", "5a0f1c7e-0000-5000-8000-000000000001"}).Draw(t, "finding id")
		k.Outputs = append(k.Outputs, workflow.Output{Code: workflow.FindingCode(f), Finding: id})
	}
	if rapid.Bool().Draw(t, "planned") {
		d := anyDecimal(t, "planned volume")
		k.Planned = &d
	}
	if rapid.Bool().Draw(t, "has book") {
		b := anyBook(t)
		k.Book = &b
	}
	k.Notes = rapid.SliceOfN(rapid.Custom(func(t *rapid.T) workflow.Note {
		return workflow.Note{Text: anyText().Draw(t, "note"), At: anyTime(t, "note at"), By: anyText().Draw(t, "note by")}
	}), 0, 3).Draw(t, "notes")
	for range rapid.IntRange(0, 2).Draw(t, "calls") {
		k.Called = append(k.Called, workflow.Call{Level: workflow.Level(rapid.IntRange(0, 2).Draw(t, "level")), At: anyTime(t, "called")})
	}
	return k
}

func anyContext(t *rapid.T) Context {
	c := sampleContext()
	if rapid.Bool().Draw(t, "no encounter") {
		c.Refs.Encounter = ""
		c.Refs.EncounterIdentifier = anyText().Draw(t, "logical encounter")
	}
	if rapid.Bool().Draw(t, "no request") {
		c.Refs.Request = ""
	}
	if rapid.Bool().Draw(t, "no procedure") {
		c.Refs.Procedure = ""
	}
	if rapid.Bool().Draw(t, "no protocol") {
		c.Protocol, c.NoProtocol = nil, anyText().Draw(t, "why no protocol")
	}
	c.FullSNOMED = rapid.Bool().Draw(t, "full SNOMED")
	c.Names["Practitioner/n1"] = anyText().Draw(t, "name")
	return c
}

// leaves checks what must be true of all that leaves.
func leaves(t *rapid.T, body []byte, err error) {
	require.NoError(t, err)
	require.Empty(t, empties(t, body), "%s", body)
	require.NotContains(t, string(body), `"Observation/"`, "a reference to nothing")
	strict(t, body)
	valid(t, body)
	var r struct{ Text *Narrative }
	require.NoError(t, json.Unmarshal(body, &r))
	wellFormed(t, r.Text.Div)
}

func TestNothingEmptyEverLeaves(t *testing.T) {
	codes, statuses, findings := constants(t, "TaskCode"), constants(t, "TaskStatus"), constants(t, "FindingCode")
	warnings, contradictions := constants(t, "FlagCode"), constants(t, "IssueCode")
	t.Run("Task", rapid.MakeCheck(func(t *rapid.T) {
		task := anyTask(t, codes, statuses, findings)
		body, err := RenderTask(task, anyContext(t), Version{ID: "t1", Number: 1, At: time.Unix(1, 0)})
		leaves(t, body, err)
		if task.Planned != nil {
			require.Contains(t, string(body), `{"value":`+task.Planned.String()+`,"unit":"mL"`)
		}
	}))
	t.Run("CarePlan", rapid.MakeCheck(func(t *rapid.T) {
		p := bleedingPlan()
		p.Status = oneOf[workflow.PlanStatus](t, "status", []string{"active", "on-hold", "completed", "revoked"})
		p.StatusReason = anyText().Draw(t, "reason")
		p.Start, p.End = anyTime(t, "start"), anyTime(t, "end")
		p.Off = anyTime(t, "off")
		if rapid.Bool().Draw(t, "no tasks") {
			p.Tasks, p.Summary.Next = nil, nil
		}
		p.Summary.Book, p.Summary.Withheld = anyBook(t), anyWithheld(t)
		p.Summary.Side = oneOf[workflow.Side](t, "side", []string{"right", "left", ""})
		p.Summary.LastAnswer = oneOf[workflow.Answer](t, "answer", []string{"", "haemostasis", "oozing"})
		p.Summary.LastLook = anyTime(t, "look")
		body, err := RenderPlan(p, anyContext(t), Version{ID: "p1"})
		leaves(t, body, err)
	}))
	t.Run("Flag", rapid.MakeCheck(func(t *rapid.T) {
		f := workflow.Flag{Code: oneOf[workflow.FlagCode](t, "flag", warnings), Active: rapid.Bool().Draw(t, "active"), Text: anyText().Draw(t, "text")}
		f.Start, f.End = anyTime(t, "start"), anyTime(t, "end")
		body, err := RenderFlag(f, anyContext(t), Version{ID: "f1"})
		leaves(t, body, err)
	}))
	t.Run("DetectedIssue", rapid.MakeCheck(func(t *rapid.T) {
		i := workflow.Issue{Code: oneOf[workflow.IssueCode](t, "issue", contradictions), Ordinal: 1, Text: anyText().Draw(t, "text"), How: anyText().Draw(t, "how")}
		i.Findings = rapid.SliceOfN(rapid.SampledFrom([]string{"", "o1", "m1"}), 0, 3).Draw(t, "findings")
		i.Since, i.Settled = anyTime(t, "since"), anyTime(t, "settled")
		body, err := RenderIssue(i, anyContext(t), Version{ID: "i1"})
		leaves(t, body, err)
	}))
	t.Run("Communication", rapid.MakeCheck(func(t *rapid.T) {
		x := workflow.Notice{
			Task:    workflow.TaskKey{Code: oneOf[workflow.TaskCode](t, "code", codes), Ordinal: 1},
			Ordinal: rapid.IntRange(1, 9).Draw(t, "ordinal"), Level: workflow.Level(rapid.IntRange(0, 2).Draw(t, "level")),
			Priority: oneOf[workflow.Priority](t, "priority", []string{"", "routine", "urgent", "asap", "stat"}),
			Text:     anyText().Draw(t, "text"), By: anyText().Draw(t, "by"), At: anyTime(t, "at"), Answered: anyTime(t, "answered"),
		}
		body, err := RenderNotice(x, anyContext(t), Version{ID: "c1"})
		leaves(t, body, err)
	}))
}
