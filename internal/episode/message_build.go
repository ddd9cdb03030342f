package episode

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
)

// builder makes the one changeset of the message: what is shared, new or newer, and the plans.
// Of a message that was accepted before it only finds whom it was about.
func (r *reception) builder(q *quarantine) build {
	return func(ctx context.Context) (*draft, error) {
		d, err := r.begin(ctx, func(d *draft) (err error) {
			if r.before != nil {
				return nil
			}
			d.author, d.source, d.occurred = r.notice.Source, r.notice.Source+"|"+r.notice.ID, r.order
			var plans []string
			if r.notice.Procedure != nil {
				plans, err = r.procedure(ctx, d, q)
			} else {
				err = r.move(ctx, d, q)
			}
			if err != nil {
				return err
			}
			if err := r.seal(ctx, d, plans); err != nil {
				return err
			}
			return d.audit(r.key.Source+"|"+r.key.ID, []fhir.Access{r.access(d)})
		})
		if r.before != nil {
			return nil, err
		}
		return d, err
	}
}

// begin reads at once what the message is about, and gives a draft with what is shared. The
// rest is added while the message is handled by a service that knows both.
func (r *reception) begin(ctx context.Context, rest func(d *draft) error) (*draft, error) {
	r.notice.Warnings = r.notice.Warnings[:r.said]
	knowing, err := r.gather(ctx, r.wanted())
	if err != nil {
		return nil, err
	}
	if r.before = knowing.answered(); r.before != nil && r.before.Digest != r.key.Digest {
		return nil, outcome.Fail(outcome.CodeDuplicate, "take message", "another message was accepted under this source and id before")
	}
	defer r.knowing(knowing)()
	d := r.newDraft("")
	if err := r.share(ctx, d); err != nil {
		return nil, err
	}
	return d, rest(d)
}

// seal adds the answer: a response message whose focus are the plans.
func (r *reception) seal(ctx context.Context, d *draft, plans []string) error {
	request := r.notice.ID
	if request == "" {
		request = r.key.ID
	}
	focus, err := r.focus(ctx, d, plans)
	if err != nil {
		return err
	}
	body, err := fhir.RenderAnswer(fhir.Answer{
		Request: request, Event: r.notice.Event.Coding(), Destination: r.notice.Source,
		Endpoint: r.Endpoint, Software: r.Software, At: d.at, Plans: focus, Issues: r.notice.Warnings,
	})
	if err != nil {
		return fmt.Errorf("render answer: %w", err)
	}
	if err := sound(r.Outgoing, body); err != nil {
		return fmt.Errorf("answer: %w", err)
	}
	key := r.key
	key.Answer = body
	return d.seal(key)
}

// focus gives the plans as they stand after the changeset.
func (r *reception) focus(ctx context.Context, d *draft, plans []string) ([]fhir.Focus, error) {
	var list []fhir.Focus
	for _, ref := range plans {
		kind, id, _ := strings.Cut(ref, "/")
		i := slices.IndexFunc(d.changes.Resources, func(x store.Resource) bool { return x.Type == kind && x.ID == id })
		if i >= 0 {
			list = append(list, fhir.Focus{Reference: ref, Body: d.changes.Resources[i].Body})
			continue
		}
		current, err := r.Store.Read(ctx, kind, id)
		if notFound(err) {
			continue // revoked before it started: there is no plan
		}
		if err != nil {
			return nil, fmt.Errorf("plan in focus: %w", err)
		}
		list = append(list, fhir.Focus{Reference: ref, Body: current.Body})
	}
	return list, nil
}

// wanted is what the message is about, under the identifiers that it names and under the ids
// that it gives to what is new.
func (r *reception) wanted() store.Wanted {
	w := store.Wanted{Input: store.InputKey{Source: r.key.Source, ID: r.key.ID}}
	want := func(resourceType string, ids []fhir.Identifier, id string) {
		w.Identities = append(w.Identities, identitiesOf(resourceType, ids)...)
		if resourceType == "Patient" {
			w.Subjects = append(w.Subjects, id)
		}
		w.Resources = append(w.Resources, store.Name{Type: resourceType, ID: id})
	}
	for i, e := range r.notice.Entries {
		want(e.Type, e.Identifiers, r.newID(i, e))
	}
	if id := r.notice.Subject.Identifier; id != nil {
		want("Patient", []fhir.Identifier{*id}, r.ids.known("Patient", *id))
	}
	for _, link := range r.notice.Links {
		w.Identities = append(w.Identities, identitiesOf("Patient", link.Identifiers)...)
	}
	if p := r.notice.Procedure; p != nil {
		for ordinal := 1; ordinal <= len(p.Sites)+1; ordinal++ {
			w.Episodes = append(w.Episodes, r.ids.episode(p.Identifier, ordinal))
		}
	}
	return w
}

// newID is the id under which an entry is stored when nothing of its identifiers is known,
// the same for every repeat.
func (r *reception) newID(i int, e fhir.Entry) string {
	p := r.notice.Procedure
	switch {
	case p != nil && i == p.Entry:
		return r.ids.procedure(p.Identifier)
	case len(e.Identifiers) > 0:
		return r.ids.known(e.Type, e.Identifiers[0])
	}
	name := firstOf(e.Names)
	if name == "" {
		name = e.Path
	}
	var within string
	if p != nil {
		within = r.ids.procedure(p.Identifier)
	}
	return r.ids.within(within, e.Type, name)
}
