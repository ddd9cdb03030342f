package fhir

import (
	"iter"
	"sync"

	"fhirsvc/internal/fhir/form"
	"fhirsvc/internal/workflow"
)

// questionnaire is R4 Questionnaire as fhirsvc publishes it
// (hl7.org/fhir/R4/questionnaire.html).
type questionnaire struct {
	ResourceType string              `json:"resourceType"`
	ID           string              `json:"id"`
	Text         *Narrative          `json:"text"`
	URL          string              `json:"url"`
	Version      string              `json:"version"`
	Name         string              `json:"name"`
	Title        string              `json:"title"`
	Status       string              `json:"status"`
	Experimental bool                `json:"experimental"`
	SubjectType  []string            `json:"subjectType"`
	Date         string              `json:"date"`
	Publisher    string              `json:"publisher"`
	Description  string              `json:"description"`
	Code         []Coding            `json:"code"`
	Item         []questionnaireItem `json:"item"`
}

type questionnaireItem struct {
	Extension    []Extension         `json:"extension,omitempty"`
	LinkID       string              `json:"linkId"`
	Definition   string              `json:"definition,omitempty"`
	Code         []Coding            `json:"code,omitempty"`
	Text         string              `json:"text"`
	Type         string              `json:"type"`
	AnswerOption []answerOption      `json:"answerOption,omitempty"`
	Item         []questionnaireItem `json:"item,omitempty"`
}

type answerOption struct {
	ValueCoding Coding `json:"valueCoding"`
}

// Questionnaires gives, by kind of Task, the form by which a nurse charts what a Task of the
// kind may ask for, in the order of the kinds. They are made from the tables of findings and
// answers that the decoder uses, once; the bytes are not to be changed.
func Questionnaires() iter.Seq2[string, []byte] {
	return func(yield func(string, []byte) bool) {
		for _, q := range questionnaires() {
			if !yield(q.kind, q.body) {
				return
			}
		}
	}
}

// written is a form as it is published, and the local code of its kind of Task.
type written struct {
	kind string
	body []byte
}

var questionnaires = sync.OnceValue(func() (all []written) {
	for _, row := range tasks() {
		asked := row.value.Asks()
		if len(asked) == 0 {
			continue
		}
		body, err := encode(newQuestionnaire(row.local, asked))
		if err != nil {
			panic(err) // texts always marshal
		}
		all = append(all, written{kind: string(row.local), body: body})
	}
	return all
})

// QuestionnaireOf is the canonical, with its version, of the form for a kind of Task; "" for
// one that asks for no finding.
func QuestionnaireOf(k workflow.TaskCode) string {
	if len(k.Asks()) == 0 {
		return ""
	}
	return questionnaireURL(Code(k)) + "|" + Published
}

func questionnaireURL(c Code) string { return CanonicalBase + "/Questionnaire/" + string(c) }

func newQuestionnaire(kind Code, asked []workflow.FindingCode) questionnaire {
	title := "Chart: " + kind.Display()
	description := "What a nurse may chart at a Task of this kind. The Task says what it asks for; a finding that is left out is not charted. " + Caution
	var n narrative
	n.para(title, "")
	n.para("", description)
	q := questionnaire{
		ResourceType: "Questionnaire", ID: string(kind), Text: n.text(), URL: questionnaireURL(kind), Version: Published,
		Name: kind.Pascal(), Title: title, Status: "draft", SubjectType: []string{"Patient"}, Date: PublishedOn,
		Publisher: softwareName, Description: description, Code: []Coding{kind.Coding()},
		Item: []questionnaireItem{
			{LinkID: "found", Definition: form.DefinitionFound, Text: "When it was found, if not when this form was filled in", Type: "dateTime"},
			{LinkID: "side", Definition: form.DefinitionSite, Text: "Which wrist, if the patient has a band on both", Type: "choice", AnswerOption: options(sides())},
		},
	}
	for _, f := range asked {
		q.Item = append(q.Item, groupOf(f))
	}
	return q
}

// sides are the wrists as the decoder reads them.
func sides() []Coding {
	return []Coding{sct("24028007", "Right (qualifier value)").Coding, sct("7771000", "Left (qualifier value)").Coding}
}

func options(list []Coding) []answerOption {
	var all []answerOption
	for _, c := range list {
		all = append(all, answerOption{c})
	}
	return all
}

// groupOf asks for one finding: its value, or why there is none, and a remark.
func groupOf(f workflow.FindingCode) questionnaireItem {
	code, name, extracted := findingCoding(f), findingName(f), true
	question := questionnaireItem{
		LinkID: code.Code, Code: []Coding{code}, Text: name, Extension: []Extension{{URL: form.ExtensionExtract, ValueBoolean: &extracted}},
	}
	question.ask(f)
	return questionnaireItem{LinkID: code.Code + ".group", Text: name, Type: "group", Item: []questionnaireItem{
		question,
		{
			LinkID: code.Code + ".missing", Definition: form.DefinitionMissing, Text: "Or why there is no value", Type: "choice",
			AnswerOption: options([]Coding{
				{System: SystemDataAbsent, Code: "not-performed", Display: "Not Performed"}, CodeCouldNotAssess.Coding(),
			}),
		},
		{LinkID: code.Code + ".note", Definition: form.DefinitionNote, Text: "Remark", Type: "text"},
	}}
}

// findingCoding is the coding by which a finding is charted.
func findingCoding(f workflow.FindingCode) Coding {
	return Terminology{}.Finding(f).Coding[0]
}
