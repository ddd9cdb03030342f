package fhir

import (
	"slices"
	"strings"

	"fhirsvc/internal/workflow"
)

// RenderTask writes a Task of the core as an R4 Task. It fails only on what can't be
// written as JSON, which is a fault of ours.
func RenderTask(t workflow.Task, c Context, v Version) ([]byte, error) {
	return encode(c.task(t, v))
}

func (c Context) task(t workflow.Task, v Version) Task {
	code := c.Task(t.Key.Code)
	code.Text = taskWords(t.Key)
	group, subject := c.episode(), c.subject()
	service := c.service()
	r := Task{
		ResourceType:    "Task",
		ID:              v.ID,
		Meta:            v.meta(),
		Text:            c.taskText(t),
		Identifier:      []Identifier{c.within(SystemTaskKey, t.Key.String())},
		GroupIdentifier: &group,
		Status:          string(t.Status),
		StatusReason:    words(taskReason(t)),
		Intent:          "order",
		Priority:        string(t.Priority),
		Code:            &code,
		Description:     clean(t.Description),
		For:             &subject,
		Encounter:       c.encounter(),
		ExecutionPeriod: period(t.Start, t.End),
		AuthoredOn:      Instant(t.Authored),
		LastModified:    Instant(t.Changed),
		Requester:       &service,
		PerformerType:   performers(t.Key.Code),
		Owner:           c.person(t.Owner),
		ReasonReference: c.procedure(),
		Note:            c.taskNotes(t),
		Input:           c.taskInputs(t),
		Output:          c.taskOutputs(t),
	}
	if c.Refs.Request != "" {
		r.BasedOn = []Reference{{Reference: c.Refs.Request}}
	}
	if t.Lateness != workflow.InTime {
		late := c.Lateness(t.Lateness)
		r.BusinessStatus = &late
	}
	if p := period(t.NotBefore, t.Due); p != nil {
		r.Restriction = &TaskRestriction{Period: p}
	}
	return r
}

// words is a concept that is only text; nil when there is none.
func words(text string) *CodeableConcept {
	text = clean(text)
	if text == "" {
		return nil
	}
	return &CodeableConcept{Text: text}
}

// taskReason is why the Task has its status: as stated, else the reasons that withhold it.
func taskReason(t workflow.Task) string {
	if t.StatusReason != "" || t.Status != workflow.TaskOnHold {
		return t.StatusReason
	}
	var reasons []string
	for _, w := range t.Withheld {
		reasons = append(reasons, w.Reason)
	}
	return strings.Join(reasons, "; ")
}

// performers says who does such a Task.
func performers(k workflow.TaskCode) []CodeableConcept {
	if k == workflow.ClinicianReview {
		return []CodeableConcept{{Text: "Clinician"}}
	}
	return []CodeableConcept{{Coding: []Coding{sct("224535009", "Registered nurse (occupation)").Coding}}}
}

func (c Context) taskInputs(t workflow.Task) []TaskInput {
	var in []TaskInput
	if t.Planned != nil {
		in = append(in, TaskInput{Type: CodePlannedVolume.Concept(), ValueQuantity: volume(*t.Planned)})
	}
	for _, f := range t.Required {
		finding := c.Finding(f)
		in = append(in, TaskInput{Type: CodeRequiredFinding.Concept(), ValueCodeableConcept: &finding})
	}
	if form := QuestionnaireOf(t.Key.Code); form != "" {
		in = append(in, TaskInput{Type: questionnaireInput(), ValueCanonical: form})
	}
	return in
}

// questionnaireInput is the type of the input that names a form, with the code by which SDC
// knows it (hl7.org/fhir/uv/sdc/workflow.html).
func questionnaireInput() CodeableConcept {
	return CodeableConcept{Coding: []Coding{CodeQuestionnaire.Coding(), {System: SystemSDC, Code: "questionnaire", Display: "Questionnaire"}}}
}

func (c Context) taskOutputs(t workflow.Task) []TaskOutput {
	var out []TaskOutput
	for _, o := range t.Outputs {
		if o.Finding == "" {
			continue
		}
		out = append(out, TaskOutput{
			Type:           c.Finding(o.Code),
			ValueReference: &Reference{Reference: c.findingRef(o.Finding)},
		})
	}
	return out
}

// taskNotes says in words what has no element of its own, then what people wrote.
func (c Context) taskNotes(t workflow.Task) []Annotation {
	var notes []Annotation
	say := func(text string) {
		notes = append(notes, Annotation{AuthorString: softwareName, Text: clean(text)})
	}
	if t.Book != nil {
		say("Volume in the band: " + c.bookWords(*t.Book))
	}
	for _, w := range t.Withheld {
		say(c.withheldWords(w))
	}
	for _, x := range t.Called {
		say(c.callWords(x))
	}
	for _, n := range t.Notes {
		if a, ok := c.annotation(n); ok {
			notes = append(notes, a)
		}
	}
	return notes
}

// authors are the types that Annotation.authorReference allows.
func authors() []string {
	return []string{"Practitioner", "Patient", "RelatedPerson", "Organization"}
}

func (c Context) annotation(n workflow.Note) (Annotation, bool) {
	a := Annotation{Time: Instant(n.At), Text: clean(n.Text)}
	if a.Text == "" {
		return a, false
	}
	kind, _, _ := strings.Cut(n.By, "/")
	switch {
	case n.By == "":
		a.AuthorString = softwareName
	case localReference.MatchString(n.By) && slices.Contains(authors(), kind):
		a.AuthorReference = c.person(n.By)
	default:
		a.AuthorString = clean(c.name(n.By))
	}
	return a, true
}
