package episode

import (
	"context"
	"slices"
	"strings"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/store"
	"fhirsvc/internal/workflow"
)

// found reports whether resources of a type tell findings: what was seen, or what was
// given.
func found(resourceType string) bool {
	return resourceType == "Observation" || resourceType == "MedicationAdministration"
}

// decodeFinding reads a resource that tells a finding.
func decodeFinding(resourceType string, doc *tree.Document, path string) (*fhir.Chart, []outcome.Issue) {
	if resourceType == "MedicationAdministration" {
		return fhir.DecodeDose(doc, path)
	}
	return fhir.DecodeChart(doc, path)
}

// observation takes in a finding, its correction, or its withdrawal. What is wrong with one
// that a form tells is wrong with the answer.
func (b *batch) observation(ctx context.Context, w *work) error {
	before := len(b.issues)
	err := b.finding(ctx, w)
	if w.derived {
		copy(b.issues[before:], w.told(b.issues[before:]))
	}
	return err
}

func (b *batch) finding(ctx context.Context, w *work) error {
	c, issues := decodeFinding(w.Type, w.doc, w.Path)
	if c == nil {
		b.issues = append(b.issues, issues...)
		return nil
	}
	subject, err := b.patient(ctx, w, c.Subject)
	if err != nil || subject == "" {
		return err
	}
	all, err := b.episodesFor(ctx, subject)
	if err != nil {
		return err
	}
	p := place(b.within(w, all), b.hintsOf(c))
	if c.Counts && p.ambiguous {
		b.issues = append(b.issues, outcome.Errorf(outcome.CodeBusinessRule, w.root()+".bodySite",
			"%d plans are possible: state the side, the procedure (partOf) or the encounter; nothing was stored", len(p.episodes)))
		return nil
	}
	return b.store(ctx, w, c, subject, p)
}

// hintsOf is what a finding says about where it belongs.
func (b *batch) hintsOf(c *fhir.Chart) hints { return hintsOf(c, b.draft, b.refer) }

func hintsOf(c *fhir.Chart, d *draft, refer fhir.References) hints {
	h := hints{found: c.Finding.Found, side: c.Finding.Side, patient: c.WholePatient}
	if h.found.IsZero() || h.found.After(d.at) {
		h.found = d.at
	}
	for _, ref := range c.PartOf {
		if ref = refer(ref); strings.HasPrefix(ref, "Procedure/") {
			h.procedures = append(h.procedures, ref)
		}
	}
	if c.Encounter != nil {
		h.encounter, h.identifier = refer(c.Encounter.Reference), c.Encounter.Identifier
	}
	return h
}

// store keeps the resource as it was sent and charts it where it belongs.
func (b *batch) store(ctx context.Context, w *work, c *fhir.Chart, subject string, p placement) error {
	lost := c.Counts && len(p.episodes) == 0
	in := incoming{resourceType: w.Type, identifiers: c.Identifiers, body: []byte(w.doc.Raw(w.doc.Root))}
	in.rewriting = fhir.Rewriting{References: b.refer, Insert: map[string]string{"subject": subject}}
	if unplaced := []fhir.Coding{fhir.CodeUnplaced.Coding()}; lost {
		in.rewriting.Tag = unplaced
	} else {
		in.rewriting.Untag = unplaced
	}
	v, changed, err := b.next(w, in)
	if err != nil {
		return err
	}
	if changed && w.derived && w.current != nil && c.Counts { // another content: say so
		in.body = fhir.WithStatus(in.body, "corrected")
		if v, changed, err = b.next(w, in); err != nil {
			return err
		}
	}
	created := w.current == nil
	warnings := append(slices.Clone(c.Warnings), b.remarks(w, c, lost, p)...)
	w.finish = func() EntryResult {
		return EntryResult{Created: created, Resource: *b.resourceOr(w, v), Warnings: warnings}
	}
	if !changed {
		return nil
	}
	var seq int64
	v.Unit = b.client.Units.Home()
	if w.current != nil {
		v.Episode, v.Unit = w.current.Episode, w.current.Unit
	}
	if len(p.episodes) > 0 {
		l := p.episodes[0]
		v.Episode, v.Unit, seq = l.id, l.state.Refs.Unit, l.version+1
	}
	if w.derived { // the form is what was entered
		b.draft.put(v, seq)
	} else {
		b.draft.putEntry(v, seq)
	}
	b.draft.changes.Identities = append(b.draft.changes.Identities, w.claims...)
	if lost {
		b.unplaced = append(b.unplaced, subject)
	}
	return b.chart(ctx, w, c, p)
}

// resourceOr gives what the batch stores under the entry's id, else what is stored.
func (b *batch) resourceOr(w *work, otherwise store.Resource) *store.Resource {
	if r := b.draft.resource(w.Type, w.id); r != nil {
		return r
	}
	return &otherwise
}

// remarks are said beside the success.
func (b *batch) remarks(w *work, c *fhir.Chart, lost bool, p placement) []outcome.Issue {
	var issues []outcome.Issue
	if c.Counts && c.Performer.By() == "" {
		issues = append(issues, outcome.Warnf(outcome.CodeRequired, w.root()+".performer", "nobody is named who found it: the client is taken"))
	}
	switch {
	case lost && p.comparison:
		issues = append(issues, outcome.Warnf(outcome.CodeBusinessRule, w.root()+".bodySite", "it is kept as a comparison: no plan is for this wrist, so it counts for none"))
	case lost:
		issues = append(issues, outcome.Warnf(outcome.CodeBusinessRule, w.root(), "no plan fits: it is kept, and counts if the procedure's event comes within %s", adoptWithin))
	}
	return issues
}

// chart tells the episodes: those that the finding belongs to now, and those that it
// no longer belongs to.
func (b *batch) chart(ctx context.Context, w *work, c *fhir.Chart, p placement) error {
	by := c.Performer.By()
	if by == "" {
		by = b.client.name()
	}
	var now []*loaded
	if c.Counts {
		now = p.episodes
	}
	holders, err := b.holders(ctx, w)
	if err != nil {
		return err
	}
	if !c.Counts && len(holders) == 0 && toldByEvent(w.current) {
		b.issues = append(b.issues, outcome.Errorf(outcome.CodeBusinessRule, w.root(),
			"this came with the procedure's event and counts there: correct the event; nothing was stored"))
		return nil
	}
	for _, l := range holders {
		if !slices.Contains(now, l) {
			in := b.inputOf(l)
			in.Withdrawn = append(in.Withdrawn, workflow.Withdrawal{Finding: w.id, By: by, Entry: w.index})
		}
	}
	f := c.Finding
	f.ID, f.By, f.Recorded, f.Entry = w.id, by, b.draft.at, w.index
	if f.Found.IsZero() {
		f.Found = f.Recorded
	}
	for _, l := range now {
		in := b.inputOf(l)
		in.Findings = append(in.Findings, f)
		l.call(by, c.Performer.Display)
	}
	return nil
}

// toldByEvent reports whether a stored resource counts although no episode holds it as
// a finding: then it came with the event.
func toldByEvent(r *store.Resource) bool {
	if r == nil || r.Episode == "" {
		return false
	}
	doc, _ := tree.Parse(r.Body)
	if doc == nil {
		return false
	}
	c, _ := decodeFinding(r.Type, doc, "")
	return c != nil && c.Counts
}

// holders are the episodes that hold an earlier version of the finding.
func (b *batch) holders(ctx context.Context, w *work) ([]*loaded, error) {
	if w.current == nil {
		return nil, nil
	}
	subject := subjectOf(w.current.Body)
	all, err := b.episodesFor(ctx, subject)
	if err != nil {
		return nil, err
	}
	return slices.DeleteFunc(slices.Clone(all), func(l *loaded) bool { return !l.has(w.id) }), nil
}

// subjectOf reads the patient of a stored resource.
func subjectOf(body []byte) string {
	doc, _ := tree.Parse(body)
	if doc == nil {
		return ""
	}
	return doc.Root.Get("subject").Str("reference")
}
