package fhir

import (
	"strings"

	"fhirsvc/internal/workflow"
)

// bookWords says the volume with its confidence, and when and by whom it was last
// confirmed.
func (c Context) bookWords(b workflow.Book) string {
	s := "UNKNOWN"
	switch b.State {
	case workflow.BookKnown:
		s = b.Volume.String() + " mL, known"
	case workflow.BookUncertain:
		s = b.Volume.String() + " mL by the book, UNCERTAIN"
	case workflow.BookUnknown:
	}
	if len(b.Why) > 0 {
		s += " (" + strings.Join(b.Why, "; ") + ")"
	}
	if b.Confirmed.IsZero() {
		return s + "; never confirmed"
	}
	return s + "; last confirmed at " + c.clock(b.Confirmed) + " by " + c.name(b.By)
}

// withheldWords says why an act is not offered, who may lift it, and when the question
// is asked again.
func (c Context) withheldWords(w workflow.Withheld) string {
	s := "Not offered: " + w.Reason + "."
	if w.Lifter != "" {
		s += " May be lifted by: " + w.Lifter + "."
	}
	if w.Again.IsZero() {
		return s + " Asked again when somebody answers."
	}
	return s + " Asked again at " + c.clock(w.Again) + "."
}

func (c Context) callWords(x workflow.Call) string {
	return "Called: " + LevelWords(x.Level) + " at " + c.clock(x.At)
}

// taskText is the narrative of a Task.
func (c Context) taskText(t workflow.Task) *Narrative {
	var n narrative
	state := []string{string(t.Status)}
	if t.Priority != "" && t.Priority != workflow.Routine {
		state = append(state, string(t.Priority))
	}
	if t.Lateness != workflow.InTime {
		state = append(state, strings.ToLower(Code(t.Lateness).Display()))
	}
	n.para(taskWords(t.Key), strings.Join(state, ", "))
	if d := clean(t.Description); d != "" {
		n.para("", d)
	}
	n.table(c.taskRows(t))
	var withheld []string
	for _, w := range t.Withheld {
		withheld = append(withheld, c.withheldWords(w))
	}
	n.list("Withheld", withheld)
	return n.text()
}

func (c Context) taskRows(t workflow.Task) [][2]string {
	rows := [][2]string{{"Why", taskReason(t)}}
	add := func(label, text string) { rows = append(rows, [2]string{label, text}) }
	if !t.NotBefore.IsZero() {
		add("Earliest", c.clock(t.NotBefore))
	}
	if !t.Due.IsZero() {
		add("Due", c.clock(t.Due))
	}
	if t.Planned != nil {
		add("Planned volume", t.Planned.String()+" mL")
	}
	if t.Book != nil {
		add("Volume in the band", c.bookWords(*t.Book))
	}
	add("To be charted", findingWords(t.Lacks()))
	add("Charted", outputWords(t.Outputs))
	if t.Owner != "" {
		add("Taken by", c.name(t.Owner))
	}
	if !t.Start.IsZero() {
		add("Begun", c.clock(t.Start))
	}
	if !t.End.IsZero() {
		add("Ended", c.clock(t.End))
	}
	for _, x := range t.Called {
		add("Called", LevelWords(x.Level)+" at "+c.clock(x.At))
	}
	return rows
}

func findingWords(list []workflow.FindingCode) string {
	var words []string
	for _, f := range list {
		words = append(words, findingName(f))
	}
	return strings.Join(words, "; ")
}

func outputWords(outputs []workflow.Output) string {
	var words []string
	for _, o := range outputs {
		w := findingName(o.Code)
		switch o.Missing {
		case workflow.NotPerformed:
			w += " (not done)"
		case workflow.CouldNotAssess:
			w += " (could not be assessed)"
		case workflow.OtherwiseMissing:
			w += " (no value)"
		case "":
		}
		words = append(words, w)
	}
	return strings.Join(words, "; ")
}

// findingName says a finding in words.
func findingName(f workflow.FindingCode) string {
	standardOnly := map[workflow.FindingCode]string{
		workflow.Pulse: "Distal radial pulse", workflow.Pain: "Pain score", workflow.Pressure: "Systolic blood pressure",
	}
	if name := standardOnly[f]; name != "" {
		return name
	}
	for _, m := range findings() {
		if m.value == f && m.local != "" {
			return m.local.Display()
		}
	}
	return string(f)
}
