package episode

import (
	"context"
	"slices"
	"strings"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
)

// order takes in an order. It must belong to exactly one open plan.
func (b *batch) order(ctx context.Context, w *work) error {
	q, issues := fhir.DecodeRequest(w.doc, w.Path)
	if q == nil {
		b.issues = append(b.issues, issues...)
		return nil
	}
	subject, err := b.patient(ctx, w, q.Subject)
	if err != nil || subject == "" {
		return err
	}
	all, err := b.episodesFor(ctx, subject)
	if err != nil {
		return err
	}
	fit := slices.DeleteFunc(b.within(w, all), func(l *loaded) bool { return !b.takes(l, q) })
	if len(fit) != 1 {
		b.issues = append(b.issues, outcome.Errorf(outcome.CodeBusinessRule, w.root()+".supportingInfo",
			"an order belongs to one open plan, %d fit: name the Procedure; nothing was stored", len(fit)))
		return nil
	}
	l := fit[0]
	in := incoming{resourceType: w.Type, identifiers: q.Identifiers, body: []byte(w.doc.Raw(w.doc.Root))}
	in.rewriting = fhir.Rewriting{References: b.refer, Insert: map[string]string{"subject": subject}}
	v, _, err := b.next(w, in)
	if err != nil {
		return err
	}
	v.Episode, v.Unit = l.id, l.state.Refs.Unit
	b.draft.putEntry(v, l.version+1)
	b.draft.changes.Identities = append(b.draft.changes.Identities, w.claims...)
	o := q.Order
	o.ID, o.Recorded, o.Entry = w.id, b.draft.at, w.index
	if o.Given.IsZero() {
		o.Given = o.Recorded
	}
	charted := b.inputOf(l)
	charted.Orders = append(charted.Orders, o)
	l.call(o.By, q.Requester)
	w.finish = func() EntryResult {
		return EntryResult{Created: true, Resource: *b.resourceOr(w, v), Warnings: q.Warnings}
	}
	return nil
}

// takes reports whether an open plan is the one that an order is about.
func (b *batch) takes(l *loaded, q *fhir.Request) bool {
	var named []string
	for _, ref := range q.Procedures {
		if ref = b.refer(ref); strings.HasPrefix(ref, "Procedure/") {
			named = append(named, ref)
		}
	}
	return l.open() && (q.Side == "" || q.Side == l.side()) &&
		(len(named) == 0 || slices.Contains(named, l.state.Refs.Procedure))
}
