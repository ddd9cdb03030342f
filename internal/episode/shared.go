package episode

import (
	"bytes"
	"context"
	"fmt"
	"slices"
	"time"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/store"
)

// incoming is a resource that came from outside and is kept as it was sent.
type incoming struct {
	resourceType string
	identifiers  []fhir.Identifier
	body         []byte
	rewriting    fhir.Rewriting // without Version
}

// share stores what belongs to no single episode, each resource in a changeset of its
// own: patients first, since encounters refer to them.
func (r *reception) share(ctx context.Context) (parties, error) {
	p := parties{local: map[string]string{}}
	n := r.notice
	sharing, err := r.gather(ctx, r.wantedShared())
	if err != nil {
		return p, err
	}
	r.sharing = sharing
	if n.Subject.Entry < 0 {
		id := *n.Subject.Identifier
		if p.subject, err = r.shareOne(ctx, incoming{resourceType: "Patient", identifiers: []fhir.Identifier{id}, body: fhir.BarePatient(id)}, time.Time{}); err != nil {
			return p, err
		}
	}
	for _, kind := range []string{"Patient", "Practitioner", "Encounter"} {
		for i, e := range n.Entries {
			if e.Type != kind {
				continue
			}
			ref := ""
			if i == n.Subject.Entry {
				ref, err = r.sharePatient(ctx, r.incoming(e, p))
			} else {
				ref, err = r.shareOne(ctx, r.incoming(e, p), r.order)
			}
			if err != nil {
				return p, err
			}
			for _, name := range e.Names {
				p.local[name] = ref
			}
			switch i {
			case n.Subject.Entry:
				p.subject = ref
			case n.Encounter.Entry:
				p.encounter = ref
			}
		}
		if kind == "Patient" {
			if p.subject, err = r.standing(ctx, p.subject); err != nil {
				return p, err
			}
		}
	}
	return p, nil
}

// wantedShared is what is shared, by its identifiers.
func (r *reception) wantedShared() store.Wanted {
	var w store.Wanted
	for _, e := range r.notice.Entries {
		if e.Shared() {
			w.Identities = append(w.Identities, identitiesOf(e.Type, e.Identifiers)...)
		}
	}
	if i := r.notice.Subject.Identifier; i != nil {
		w.Identities = append(w.Identities, identitiesOf("Patient", []fhir.Identifier{*i})...)
	}
	return w
}

// sharePatient stores the patient of the event with its links to other records, and retires
// those that it replaces.
func (r *reception) sharePatient(ctx context.Context, in incoming) (string, error) {
	l, err := r.links(ctx)
	if err == nil {
		err = r.oneRecord(ctx, in.identifiers)
	}
	if err != nil {
		return "", err
	}
	in.body = fhir.WithLinks(in.body, l.to)
	in.identifiers = append(slices.Clone(in.identifiers), l.claims...)
	ref, err := r.shareOne(ctx, in, r.order)
	if err != nil {
		return "", err
	}
	return ref, r.retire(ctx, l.old, ref)
}

// standing gives the record that stands for the patient of the event: one that was replaced
// is named to the sender.
func (r *reception) standing(ctx context.Context, subject string) (string, error) {
	record, err := r.survivor(ctx, subject)
	if err == nil && record != subject {
		r.warn(outcome.CodeBusinessRule, "Patient", "this record of the patient was replaced by another one: the plan stands under that")
	}
	return record, err
}

// incoming is an entry of the message with its references as they are stored.
func (r *reception) incoming(e fhir.Entry, p parties) incoming {
	in := incoming{resourceType: e.Type, identifiers: e.Identifiers, body: e.Body}
	in.rewriting.References = func(ref string) string {
		if to, ok := p.local[ref]; ok {
			return to
		}
		return ref
	}
	if e.Type != "Patient" {
		in.rewriting.Insert = map[string]string{"subject": p.subject}
	}
	return in
}

// shareOne creates a shared resource, or updates it from a newer message. It gives the
// reference to it. A zero order never updates.
func (r *reception) shareOne(ctx context.Context, in incoming, order time.Time) (string, error) {
	id, first := "", r.sharing
	_, err := r.commit(ctx, "share "+in.resourceType, func(ctx context.Context) (*draft, error) {
		if first != nil { // what was read for all at once is good for one try
			defer r.knowing(first)()
			first = nil
		}
		var known bool
		var err error
		if id, known, err = r.identify(ctx, in.resourceType, in.identifiers); err != nil {
			return nil, err
		}
		if !known {
			id = r.ids.known(in.resourceType, in.identifiers[0])
		}
		if known && !r.by.Units.All() {
			if _, err = r.see(ctx, r.by.Units, in.resourceType, id); notFound(err) {
				return nil, nil // another unit's until the event is stored: it is referred to, and left as it is
			}
			if err != nil {
				return nil, err
			}
		}
		current, err := r.current(ctx, in.resourceType, id)
		if err != nil {
			return nil, err
		}
		if current != nil && (order.IsZero() || !r.newer(ctx, current, order) || undoes(current, in.body)) {
			return nil, nil
		}
		d := r.newDraft("")
		d.occurred = order
		v, changed, err := r.successor(current, in, id, d.at)
		if err != nil || !changed {
			return nil, err
		}
		d.put(v, 0)
		if d.changes.Identities, err = r.claims(ctx, in, id); err != nil {
			return nil, err
		}
		d.unit = r.notice.Unit
		if err := d.seal(store.Inbox{}); err != nil {
			return nil, err
		}
		x := r.access(d.changes.Resources)
		x.Interaction, x.Patient = "update", Patients(v)
		if v.Follows() == 0 {
			x.Interaction = "create"
		}
		return d, d.audit(versioned(v), []fhir.Access{x})
	})
	if err != nil {
		return "", fmt.Errorf("share %s: %w", in.resourceType, err)
	}
	return in.resourceType + "/" + id, nil
}

// undoes reports whether a body would bring back, by saying nothing of it, a patient's record
// that another one has replaced: a sender that has not heard of the merge goes on as before.
func undoes(current *store.Resource, body []byte) bool {
	return current.Type == "Patient" && len(fhir.Linked(current.Body)[fhir.LinkReplacedBy]) > 0 && len(fhir.Linked(body)[fhir.LinkReplacedBy]) == 0
}

// identify finds a resource by the first of its identifiers that is known.
func (s *Service) identify(ctx context.Context, resourceType string, ids []fhir.Identifier) (id string, known bool, err error) {
	for _, i := range ids {
		if id, known, err = s.Store.Identity(ctx, resourceType, i.System, i.Value); known || err != nil {
			return id, known, err
		}
	}
	return "", false, nil
}

// claims are the identifiers of a resource that nobody holds yet.
func (s *Service) claims(ctx context.Context, in incoming, id string) ([]store.Identity, error) {
	var claims []store.Identity
	for _, i := range in.identifiers {
		_, held, err := s.Store.Identity(ctx, in.resourceType, i.System, i.Value)
		if err != nil {
			return nil, err
		}
		if !held {
			claims = append(claims, store.Identity{Type: in.resourceType, System: i.System, Value: i.Value, ID: id})
		}
	}
	return claims, nil
}

// newer reports whether order lies after the message that a shared resource was last
// written from, as its Provenance tells. Without one, nobody told anything before.
func (s *Service) newer(ctx context.Context, current *store.Resource, order time.Time) bool {
	p, err := s.Store.Read(ctx, "Provenance", s.ids.provenance(current.Type, current.ID, current.Version))
	if err != nil {
		return notFound(err)
	}
	return order.After(fhir.Occurred(p.Body))
}

// current gives a resource as it is stored now, nil if there is none.
func (s *Service) current(ctx context.Context, resourceType, id string) (*store.Resource, error) {
	r, err := s.Store.Read(ctx, resourceType, id)
	switch {
	case notFound(err):
		return nil, nil
	case err != nil:
		return nil, err
	}
	return &r, nil
}

// successor gives the version of a resource from outside that follows the current one, nil
// for none; changed is false when its content is the current one's. The current one is what
// was looked at when it was decided to write: if it has been followed by then, the store
// tells of the conflict.
func (s *Service) successor(current *store.Resource, in incoming, id string, at time.Time) (r store.Resource, changed bool, err error) {
	doc, _ := tree.Parse(in.body)
	if doc == nil {
		return r, false, fmt.Errorf("version of %s/%s: it was read before and can't be read again", in.resourceType, id)
	}
	var stands int64
	if current != nil {
		in.rewriting.Version = fhir.Version{ID: id, Number: current.Version, At: current.Updated}
		same, err := fhir.Rewrite(doc, in.rewriting)
		if err != nil || bytes.Equal(same, current.Body) {
			return *current, false, err
		}
		stands = current.Version
	}
	next, skipped := s.after(stands)
	in.rewriting.Version = fhir.Version{ID: id, Number: next, At: at}
	body, err := fhir.Rewrite(doc, in.rewriting)
	return store.Resource{Type: in.resourceType, ID: id, Version: next, Skipped: skipped, Body: body}, true, err
}
