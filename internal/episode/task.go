package episode

import (
	"context"
	"fmt"
	"strconv"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/store"
	"fhirsvc/internal/workflow"
)

// task takes in what a client did to a Task.
func (b *batch) task(ctx context.Context, w *work) error {
	unchanged := func() EntryResult { return EntryResult{Resource: *b.resourceOr(w, *w.current)} }
	w.finish = unchanged
	base, err := b.base(ctx, w)
	if err != nil {
		return err
	}
	sent, _ := tree.Parse(fhir.Refer(w.doc, b.refer))
	if base == nil || sent == nil {
		return fmt.Errorf("read Task %s: it was read before and can't be read again", w.id)
	}
	c, issues := fhir.DecodeTask(base, sent, w.Path)
	if w.again() {
		// Completing what is completed changes nothing; a new note is still kept.
		c, issues = b.notesAlone(w, sent)
	}
	switch {
	case c == nil:
		b.issues = append(b.issues, issues...)
		return nil
	case c.Claim && w.IfMatch == "":
		return &outcome.Error{Kind: outcome.CodeRequired, Op: "chart", Issues: []outcome.Issue{
			outcome.Errorf(outcome.CodeRequired, w.root()+".owner", "a claim needs If-Match, so that two don't take the same Task unknowingly"),
		}}
	case c.Claim && workflow.TaskStatus(statusOf(w.current)).Finished():
		return &outcome.Error{Kind: outcome.CodeBusinessRule, Op: "chart", Issues: []outcome.Issue{
			outcome.Errorf(outcome.CodeBusinessRule, w.root()+".owner", "the Task has ended and can't be claimed any more"),
		}}
	case c.Empty:
		return nil
	}
	return b.update(ctx, w, c, sent)
}

// again reports whether a Task is completed that is completed. A patch that leaves the
// status alone completes nothing.
func (w *work) again() bool {
	return w.Type == "Task" && w.doc.Root.Str("status") == "completed" && statusOf(w.current) == "completed" &&
		(w.Method != methodPatch || touches(w.Body, "/status"))
}

func (b *batch) notesAlone(w *work, sent *tree.Document) (*fhir.TaskChange, []outcome.Issue) {
	stored, _ := tree.Parse(w.current.Body)
	notes, issues := fhir.DecodeNotes(stored, sent, w.Path)
	if len(issues) > 0 {
		return nil, issues
	}
	return &fhir.TaskChange{Update: workflow.TaskUpdate{Notes: notes}, Empty: len(notes) == 0}, nil
}

// update hands a change to the core. The prebuilt review Task of an input in quarantine
// is unknown to the core: it is kept as the client wrote it.
func (b *batch) update(ctx context.Context, w *work, c *fhir.TaskChange, sent *tree.Document) error {
	l, err := b.episode(ctx, w.current.Episode)
	if err != nil && !notFound(err) {
		return err
	}
	if key, ok := l.task(w.id); ok {
		if l.state.Known["Task/"+w.id].Version != w.current.Version {
			return errRaced // it was read before another change, the episode after it
		}
		u := c.Update
		u.Task, u.By, u.Entry = key, b.client.name(), w.index
		b.sign(u.Notes)
		in := b.inputOf(l)
		in.Updates = append(in.Updates, u)
		if c.Owner != nil {
			l.call(c.Owner.By(), c.Owner.Display)
		}
		return nil
	}
	v, changed, err := b.next(w, incoming{resourceType: "Task", body: []byte(sent.Raw(sent.Root))})
	if err != nil || !changed {
		return err
	}
	v.Episode, v.Unit = w.current.Episode, w.current.Unit
	b.draft.putEntry(v, 0)
	return nil
}

// sign gives notes the author and the time that the client left out.
func (b *batch) sign(notes []workflow.Note) {
	for i := range notes {
		if notes[i].By == "" {
			notes[i].By = b.client.name()
		}
		if notes[i].At.IsZero() {
			notes[i].At = b.draft.at
		}
	}
}

// base is the version that the client started from: the one that the body names, else
// the current one. A Task may have been re-timed since it was read; that is no reason to
// refuse that it was done.
func (b *batch) base(ctx context.Context, w *work) (*tree.Document, error) {
	r := *w.current
	named, err := strconv.ParseInt(w.doc.Root.Get("meta").Str("versionId"), 10, 64)
	if err == nil && named != r.Version {
		if r, err = b.Store.ReadVersion(ctx, "Task", w.id, named); err != nil {
			if !notFound(err) {
				return nil, err
			}
			r = *w.current
		}
	}
	doc, _ := tree.Parse(r.Body)
	return doc, nil
}

// statusOf reads the status of a stored resource.
func statusOf(r *store.Resource) string {
	doc, _ := tree.Parse(r.Body)
	if doc == nil {
		return ""
	}
	return doc.Root.Str("status")
}
