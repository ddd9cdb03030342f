package fhir

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/form"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/workflow"
)

func noValueSets(string) func(system, code string) bool { return nil }

// Each form is valid R4, also for the strict parser of google/fhir, is one that the service
// itself can read, and asks for all that a Task of its kind may ask for.
func TestQuestionnairesAreSound(t *testing.T) {
	n := 0
	for kind, body := range Questionnaires() {
		n++
		require.Empty(t, empties(t, body), kind)
		strict(t, body)
		valid(t, body)
		f, err := form.Parse(body, noValueSets)
		require.NoError(t, err, kind)
		code, ok := ReadTask(Code(kind).Concept())
		require.True(t, ok)
		require.Equal(t, "https://fhirsvc.example/fhir/Questionnaire/"+kind+"|"+Published, QuestionnaireOf(code))
		var want []string
		for _, asked := range code.Asks() {
			want = append(want, findingCoding(asked).Code)
		}
		require.Equal(t, want, f.Questions(), kind)
	}
	require.Equal(t, 14, n)
	require.Empty(t, QuestionnaireOf(workflow.ClinicianReview))
}

// question is one that a form asks, with what stands above it in a response.
type question struct {
	node        *tree.Node
	before, end string
}

// questionsOf lists the questions of a form that are extracted, parts too.
func questionsOf(items *tree.Node, before, end string) []question {
	var list []question
	for n := range items.Items() {
		link := quoted(n.Str("linkId"))
		switch {
		case n.Str("type") == "group":
			list = append(list, questionsOf(n.Get("item"), before+`{"linkId":`+link+`,"item":[`, "]}"+end)...)
		case n.Get("extension") != nil:
			list = append(list, question{n, before, end})
			options := n.Get("answerOption")
			for part := range n.Get("item").Items() { // beside the last option: what is not normal has parts
				above := fmt.Sprintf(`%s{"linkId":%s,"answer":[{"valueCoding":{"system":%q,"code":%q},"item":[`, before, link,
					options.At(options.Len()-1).Get("valueCoding").Str("system"), options.At(options.Len()-1).Get("valueCoding").Str("code"))
				list = append(list, question{part, above, "]}]}" + end})
			}
		}
	}
	return list
}

// answersTo are all options of a question, or one value.
func answersTo(n *tree.Node) []string {
	switch n.Str("type") {
	case "decimal":
		return []string{`"valueDecimal":4.50`}
	case "integer":
		return []string{`"valueInteger":4`}
	case "dateTime":
		return []string{`"valueDateTime":"2026-03-04T09:41:00Z"`}
	}
	var list []string
	for o := range n.Get("answerOption").Items() {
		list = append(list, fmt.Sprintf(`"valueCoding":{"system":%q,"code":%q}`, o.Get("valueCoding").Str("system"), o.Get("valueCoding").Str("code")))
	}
	return list
}

// Every answer to every question of every form becomes an Observation that the decoder
// reads as the finding that was asked for, without a word of complaint.
func TestEveryAnswerIsUnderstood(t *testing.T) {
	read := 0
	for kind, body := range Questionnaires() {
		f, err := form.Parse(body, noValueSets)
		require.NoError(t, err)
		doc, _ := tree.Parse(body)
		for _, q := range questionsOf(doc.Root.Get("item"), "", "") {
			for _, a := range answersTo(q.node) {
				response := fmt.Sprintf(`{"resourceType":"QuestionnaireResponse","status":"completed","subject":{"reference":"Patient/p1"},
"author":{"reference":"Practitioner/n1"},"item":[%s{"linkId":%q,"answer":[{%s}]}%s]}`, q.before, q.node.Str("linkId"), a, q.end)
				sent, issues := tree.Parse([]byte(response))
				require.Empty(t, issues, response)
				require.Empty(t, f.Check(sent.Root, "QuestionnaireResponse"), response)
				made := f.Observations(sent, "QuestionnaireResponse", form.About{Response: "QuestionnaireResponse/r1", Found: "2026-03-04T09:50:00Z"})
				require.Len(t, made, 1, response)
				chart := decoded(t, made[0].Body("final"))
				require.Equal(t, findingCoding(chart.Finding.Code).Code, made[0].Link, kind)
				require.Contains(t, mustTask(kind).Asks(), chart.Finding.Code)
				read++
			}
		}
	}
	require.Greater(t, read, 200)
	t.Logf("%d answers", read)
}

func mustTask(kind string) workflow.TaskCode {
	code, _ := ReadTask(Code(kind).Concept())
	return code
}

// decoded reads an Observation as one that was posted.
func decoded(t *testing.T, body []byte) *Chart {
	t.Helper()
	valid(t, body)
	doc, issues := tree.Parse(body)
	require.Empty(t, issues)
	chart, issues := DecodeChart(doc, "")
	require.NotNil(t, chart, "%s %v", body, issues)
	for _, w := range chart.Warnings {
		require.True(t, strings.Contains(w.Details, "is charted as normal"), "%s: %s", body, w)
	}
	require.False(t, outcome.HasErrors(issues))
	return chart
}
