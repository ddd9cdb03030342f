package fhir

import "fhirsvc/internal/workflow"

// draftWords stand on a plan that is made to be looked at.
const draftWords = "DRAFT to look at: this is what the protocol would plan. It is no plan of a patient, and is stored nowhere."

// Draft is a plan that a protocol would give, with its Tasks. Told says in words what it
// was computed from, and Practitioner (a reference, "" for nobody) for whom.
type Draft struct {
	Plan         workflow.Plan
	Tasks        []workflow.Task
	Told         []string
	Practitioner string
}

// RenderDraft writes the plan as an R4 CarePlan of status draft and intent proposal, with a
// tag that says that it is stored nowhere. Its Tasks are contained, proposals too. It fails
// only on what can't be written as JSON, which is a fault of ours.
func RenderDraft(d Draft, c Context) ([]byte, error) {
	r := c.plan(d.Plan, Version{})
	r.Meta = &Meta{Tag: []Coding{CodeNotStored.Coding()}}
	r.Status, r.Intent, r.Title, r.Description = "draft", "proposal", "Draft: "+r.Title, draftWords
	r.Identifier, r.Activity = nil, nil
	if d.Practitioner != "" {
		r.Contributor = []Reference{{Reference: d.Practitioner}}
	}
	for _, t := range d.Tasks {
		x := c.task(t, Version{ID: c.TaskID(t.Key)})
		x.Text, x.Identifier, x.GroupIdentifier = nil, nil, nil // a contained resource is no more than its parent says
		x.Status, x.StatusReason, x.Intent = "draft", nil, "proposal"
		r.Contained = append(r.Contained, x)
		r.Activity = append(r.Activity, CarePlanActivity{Reference: &Reference{Reference: "#" + x.ID, Display: taskWords(t.Key)}})
	}
	var notes []Annotation
	for _, text := range append([]string{draftWords}, d.Told...) {
		notes = append(notes, Annotation{AuthorString: softwareName, Text: clean(text)})
	}
	r.Note = append(notes, r.Note...)
	r.Text = c.draftText(d)
	return encode(r)
}

func (c Context) draftText(d Draft) *Narrative {
	var n narrative
	n.para("", draftWords)
	n.list("Computed from", d.Told)
	n.table([][2]string{
		{"Band off (forecast)", c.told(d.Plan.Off)},
		{"Band off if it bleeds at the next step", c.ifBleedWords(d.Plan.Summary)},
		{"End (forecast)", c.told(d.Plan.End)},
	})
	var lines []string
	for _, t := range d.Tasks {
		line := taskWords(t.Key)
		if !t.NotBefore.IsZero() {
			line += ", not before " + c.clock(t.NotBefore)
		}
		if t.Planned != nil {
			line += ", " + t.Planned.String() + " mL"
		}
		lines = append(lines, line)
	}
	n.list("Tasks", lines)
	n.para("", c.protocolWords())
	n.para("Caution", Caution)
	return n.text()
}
