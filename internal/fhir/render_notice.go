package fhir

import "fhirsvc/internal/workflow"

// RenderNotice writes one call to a person as an R4 Communication: in progress while
// nobody has answered, then completed. It stands for who is to be told, not for a message
// that was delivered. It fails only on what can't be written as JSON, which is a fault of
// ours. Source: hl7.org/fhir/R4/communication.html.
func RenderNotice(x workflow.Notice, c Context, v Version) ([]byte, error) {
	subject, service := c.subject(), c.service()
	r := Communication{
		ResourceType: "Communication",
		ID:           v.ID,
		Meta:         v.meta(),
		Text:         c.noticeText(x),
		Identifier:   []Identifier{c.within(SystemNoticeKey, x.Task.String()+"/"+decimalText(x.Ordinal))},
		BasedOn:      []Reference{{Reference: "CarePlan/" + c.Plan}},
		Status:       "in-progress",
		Category:     []CodeableConcept{{Coding: []Coding{{System: SystemMessageKind, Code: "alert", Display: "Alert"}}}},
		Priority:     string(x.Priority),
		Subject:      &subject,
		About:        []Reference{{Reference: "Task/" + c.TaskID(x.Task), Display: taskWords(x.Task)}},
		Encounter:    c.encounter(),
		Sent:         Instant(x.At),
		Received:     Instant(x.Answered),
		Recipient:    recipients(x.Level),
		Sender:       &service,
		Payload:      []CommunicationPayload{{noticeWords(x)}},
	}
	if !x.Answered.IsZero() {
		r.Status = "completed"
		if a, ok := c.annotation(workflow.Note{Text: "Answered", At: x.Answered, By: x.By}); ok && x.By != "" {
			r.Note = []Annotation{a}
		}
	}
	return encode(r)
}

// recipients names the role that is called; none when there is nobody to call.
func recipients(l workflow.Level) []Reference {
	role := ""
	switch l {
	case workflow.NurseInCharge:
		role = "nurse in charge"
	case workflow.Clinician:
		role = "clinician on call"
	case workflow.NobodyCalled:
		return nil
	}
	return []Reference{{Type: "PractitionerRole", Display: role}}
}

// noticeWords is what the one who is called is to read.
func noticeWords(x workflow.Notice) string {
	if t := clean(x.Text); t != "" {
		return t
	}
	return taskWords(x.Task)
}

func (c Context) noticeText(x workflow.Notice) *Narrative {
	var n narrative
	state := "not answered"
	if !x.Answered.IsZero() {
		state = "answered"
	}
	called := "Nobody can be called"
	if x.Level != workflow.NobodyCalled {
		called = "Call to the " + LevelWords(x.Level)
	}
	n.para(called, state)
	n.para("", noticeWords(x))
	rows := [][2]string{{"About", taskWords(x.Task)}, {"Priority", string(x.Priority)}, {"Called", c.told(x.At)}}
	if !x.Answered.IsZero() {
		rows = append(rows, [2]string{"Answered", c.clock(x.Answered) + " by " + c.name(x.By)})
	}
	n.table(rows)
	return n.text()
}
