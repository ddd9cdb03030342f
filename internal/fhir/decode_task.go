package fhir

import (
	"strings"
	"time"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/workflow"
)

// TaskChange is what a client did to a Task. Update has no Task key, By or Entry yet.
type TaskChange struct {
	Update workflow.TaskUpdate
	Owner  *Reference // nil leaves it
	Claim  bool       // the owner changes on a Task that stays open
	Empty  bool       // nothing differs
}

// DecodeTask compares a Task that a client sent with the version that it started from.
// Only status, statusReason, owner, output, note and executionPeriod may differ;
// narrative, meta and lastModified are the service's own and are not compared. Outputs
// and notes that are not sent back stay. The result is nil when there is an error among
// the issues.
func DecodeTask(base, sent *tree.Document, path string) (*TaskChange, []outcome.Issue) {
	r := newReader(sent, sent.Root, path)
	c := &TaskChange{}
	r.untouched(base.Root)
	r.status(c, base.Root)
	r.owner(c, base.Root)
	for n := range r.root.Get("output").Items() {
		if !holds(base.Root.Get("output"), n) {
			r.output(c, n)
		}
	}
	r.notes(c, base.Root)
	if n := r.root.Get("executionPeriod"); n != nil && !same(n, base.Root.Get("executionPeriod")) {
		c.Update.Start = r.taskTime(n, "start")
		c.Update.End = r.taskTime(n, "end")
	}
	u := c.Update
	c.Empty = u.Status == "" && u.Reason == "" && c.Owner == nil && len(u.Outputs) == 0 && len(u.Notes) == 0 && u.Start.IsZero() && u.End.IsZero()
	if outcome.HasErrors(r.issues) {
		return nil, r.issues
	}
	return c, nil
}

// DecodeNotes gives the notes of a Task that a client sent and that the stored one does
// not have. The result is nil when there is an error among the issues, and when there
// is no new note.
func DecodeNotes(stored, sent *tree.Document, path string) ([]workflow.Note, []outcome.Issue) {
	r := newReader(sent, sent.Root, path)
	c := &TaskChange{}
	r.notes(c, stored.Root)
	if outcome.HasErrors(r.issues) {
		return nil, r.issues
	}
	return c.Update.Notes, nil
}

// ownElements are those that are not compared, and those that a client may change.
func ownElements() []string {
	return []string{
		"meta", "text", "lastModified",
		"status", "statusReason", "owner", "output", "note", "executionPeriod",
	}
}

// untouched names every other element that differs.
func (r *reader) untouched(base *tree.Node) {
	free := map[string]bool{}
	for _, name := range ownElements() {
		free[name], free["_"+name] = true, true
	}
	const text = "this element is the service's own and can't be changed"
	for n := range base.Members() {
		if sent := r.root.Get(n.Name); !free[n.Name] && !same(n, sent) {
			r.fault(outcome.CodeBusinessRule, strings.TrimPrefix(n.Name, "_"), sent, text)
		}
	}
	for n := range r.root.Members() {
		if !free[n.Name] && base.Get(n.Name) == nil {
			r.fault(outcome.CodeBusinessRule, strings.TrimPrefix(n.Name, "_"), n, text)
		}
	}
}

// status reads the new status, and its reason where that is new.
func (r *reader) status(c *TaskChange, base *tree.Node) {
	n := r.root.Get("status")
	s := workflow.TaskStatus(r.root.Str("status"))
	switch s {
	case workflow.TaskReady, workflow.TaskInProgress, workflow.TaskCompleted, workflow.TaskRejected, workflow.TaskCancelled, workflow.TaskFailed:
		if string(s) != base.Str("status") {
			c.Update.Status = s
		}
	case workflow.TaskDraft, workflow.TaskOnHold:
		if string(s) != base.Str("status") {
			r.fault(outcome.CodeBusinessRule, "status", n, "only the service moves a Task to %s", s)
		}
	case "":
		r.fault(outcome.CodeRequired, "status", n, "status is needed")
	default:
		r.fault(outcome.CodeBusinessRule, "status", n, "a Task may be moved to ready, in-progress, completed, rejected or cancelled")
	}
	if reason := r.root.Get("statusReason"); reason != nil && !same(reason, base.Get("statusReason")) {
		c.Update.Reason = readConcept(reason).label()
	}
}

func (r *reader) owner(c *TaskChange, base *tree.Node) {
	n := r.root.Get("owner")
	if same(n, base.Get("owner")) {
		return
	}
	ref := readReference(n)
	by := ref.By()
	c.Owner, c.Update.Owner = &ref, &by
	c.Claim = by != "" && !c.Update.Status.Finished()
}

// output reads a finding that the client says the Task brought. What was not done is
// charted as an Observation, too, so that it has a time and an author.
func (r *reader) output(c *TaskChange, n *tree.Node) {
	code, ok := ReadFinding(readConcept(n.Get("type")))
	if !ok {
		r.fault(outcome.CodeCodeInvalid, "output.type", n, "the type of an output is the code of a bedside finding")
		return
	}
	id, ok := strings.CutPrefix(n.Get("valueReference").Str("reference"), "Observation/")
	if !ok || id == "" {
		r.fault(outcome.CodeValue, "output.value", n, "the value of an output is a reference to an Observation; chart what was not done as one with dataAbsentReason")
	}
	c.Update.Outputs = append(c.Update.Outputs, workflow.Output{Code: code, Finding: id})
}

// notes reads those that are not stored yet. The service adds author and time where the
// client told none, so a stored note may say more than the one that was sent.
func (r *reader) notes(c *TaskChange, base *tree.Node) {
	for n := range r.root.Get("note").Items() {
		if n.Str("authorString") == softwareName {
			continue // the service's own, sent back from an older version
		}
		known := false
		for x := range base.Get("note").Items() {
			known = known || saidBy(n, x)
		}
		if !known {
			r.note(c, n)
		}
	}
}

// saidBy reports whether x says all that n says.
func saidBy(n, x *tree.Node) bool {
	for m := range n.Members() {
		if !same(m, x.Get(m.Name)) {
			return false
		}
	}
	return true
}

func (r *reader) note(c *TaskChange, n *tree.Node) {
	text := n.Str("text")
	if text == "" {
		r.fault(outcome.CodeRequired, "note.text", n, "a note has a text")
	}
	by := readReference(n.Get("authorReference")).By()
	if by == "" {
		by = n.Str("authorString")
	}
	c.Update.Notes = append(c.Update.Notes, workflow.Note{Text: text, At: r.readTimeAt(n, "time", "note.time"), By: by})
}

func (r *reader) taskTime(period *tree.Node, name string) time.Time {
	n := period.Get(name)
	t, ok := readTime(n)
	if n != nil && !ok {
		r.fault(outcome.CodeValue, "executionPeriod."+name, n, "a time of day with an offset is needed, such as 2026-01-31T14:05:00+01:00")
	}
	return t
}

// holds reports whether one of the items is the same as n.
func holds(items, n *tree.Node) bool {
	for x := range items.Items() {
		if same(x, n) {
			return true
		}
	}
	return false
}

// same reports whether two values mean the same: the order of members doesn't count,
// and 3.0 is 3, since a client's library may write numbers its own way.
func same(a, b *tree.Node) bool {
	if a == nil || b == nil {
		return a == b
	}
	if a.Kind != b.Kind || a.Len() != b.Len() {
		return false
	}
	switch a.Kind {
	case tree.Number:
		x, errX := workflow.ParseDecimal(a.Text)
		y, errY := workflow.ParseDecimal(b.Text)
		return errX == nil && errY == nil && x.Cmp(y) == 0
	case tree.Array:
		for x, y := a.First(), b.First(); x != nil; x, y = x.Next(), y.Next() {
			if !same(x, y) {
				return false
			}
		}
		return true
	case tree.Object:
		for x := range a.Members() {
			if !same(x, b.Get(x.Name)) {
				return false
			}
		}
		return true
	case tree.Absent, tree.Null, tree.Bool, tree.String:
	}
	return a.Text == b.Text
}
