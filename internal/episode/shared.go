package episode

import (
	"context"
	"slices"
	"time"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
)

// incoming is a resource that came from outside and is kept as it was sent.
type incoming struct {
	resourceType string
	identifiers  []fhir.Identifier
	body         []byte
	rewriting    fhir.Rewriting // without Version
}

// share adds to a draft what belongs to no single episode, where it is new or newer: patients
// first, since encounters refer to them.
func (r *reception) share(ctx context.Context, d *draft) (err error) {
	r.parties, d.unit = parties{local: map[string]string{}}, r.notice.Unit
	n := r.notice
	if n.Subject.Entry < 0 {
		id := *n.Subject.Identifier
		bare := incoming{resourceType: "Patient", identifiers: []fhir.Identifier{id}, body: fhir.BarePatient(id)}
		if r.subject, err = r.shareOne(ctx, d, bare, time.Time{}); err != nil {
			return err
		}
	}
	for _, kind := range []string{"Patient", "Practitioner", "Encounter"} {
		for i, e := range n.Entries {
			if e.Type != kind {
				continue
			}
			ref := ""
			if i == n.Subject.Entry {
				ref, err = r.sharePatient(ctx, d, r.incoming(e))
			} else {
				ref, err = r.shareOne(ctx, d, r.incoming(e), r.order)
			}
			if err != nil {
				return err
			}
			for _, name := range e.Names {
				r.local[name] = ref
			}
			switch i {
			case n.Subject.Entry:
				r.subject = ref
			case n.Encounter.Entry:
				r.encounter = ref
			}
		}
		if kind == "Patient" {
			if r.subject, err = r.standing(ctx, r.subject); err != nil {
				return err
			}
		}
	}
	return nil
}

// shareAlone stores what is shared by itself, when the service failed on the rest, and gives
// the patient: the Task that asks a person is about somebody who is there. It is "" when that
// fails, too.
func (r *reception) shareAlone(ctx context.Context) (subject string) {
	_, err := r.commit(ctx, "share", func(ctx context.Context) (*draft, error) {
		d, err := r.begin(ctx, func(*draft) error { return nil })
		if err != nil || len(d.changes.Resources) == 0 {
			return nil, err
		}
		if err := d.seal(store.Inbox{}); err != nil {
			return nil, err
		}
		return d, d.audit(versioned(d.changes.Resources[0]), []fhir.Access{r.access(d)})
	})
	if err != nil {
		return ""
	}
	return r.subject
}

// sharePatient adds the patient of the event with its links to other records, and retires
// those that it replaces.
func (r *reception) sharePatient(ctx context.Context, d *draft, in incoming) (string, error) {
	l, err := r.links(ctx)
	if err == nil {
		err = r.oneRecord(ctx, in.identifiers)
	}
	if err != nil {
		return "", err
	}
	in.body = fhir.WithLinks(in.body, l.to)
	in.identifiers = append(slices.Clone(in.identifiers), l.claims...)
	ref, err := r.shareOne(ctx, d, in, r.order)
	if err != nil {
		return "", err
	}
	return ref, r.retire(ctx, d, l.old, ref)
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
func (r *reception) incoming(e fhir.Entry) incoming {
	in := incoming{resourceType: e.Type, identifiers: e.Identifiers, body: e.Body}
	in.rewriting.References = func(ref string) string {
		if to, ok := r.local[ref]; ok {
			return to
		}
		return ref
	}
	if e.Type != "Patient" {
		in.rewriting.Insert = map[string]string{"subject": r.subject}
	}
	return in
}

// shareOne adds a shared resource that is new, or its next version from a newer message. It
// gives the reference to it. A zero order never updates.
func (r *reception) shareOne(ctx context.Context, d *draft, in incoming, order time.Time) (ref string, err error) {
	id, known, err := r.identify(ctx, in.resourceType, in.identifiers)
	if err != nil {
		return "", err
	}
	if !known {
		id = r.ids.known(in.resourceType, in.identifiers[0])
	}
	ref = in.resourceType + "/" + id
	if d.resource(in.resourceType, id) != nil {
		return ref, nil // another entry of the same message told it
	}
	if known && !r.by.Units.All() {
		if _, err = r.see(ctx, r.by.Units, in.resourceType, id); notFound(err) {
			return ref, nil // another unit's until the event is stored: it is referred to, and left as it is
		}
		if err != nil {
			return "", err
		}
	}
	current, err := r.current(ctx, in.resourceType, id)
	if err != nil {
		return "", err
	}
	if current != nil && (order.IsZero() || !r.newer(ctx, current, order) || undoes(current, in.body)) {
		return ref, nil
	}
	v, changed, err := r.successor(current, in, id, d.at)
	if err != nil || !changed {
		return ref, err
	}
	claims, err := r.claims(ctx, in, id)
	if err != nil {
		return "", err
	}
	r.putShared(d, v, claims, order)
	return ref, nil
}

// putShared adds a version of what is shared with the identifiers that it claims. What is read
// from here on finds it.
func (r *reception) putShared(d *draft, v store.Resource, claims []store.Identity, occurred time.Time) {
	d.shared = append(d.shared, sharedVersion{at: len(d.changes.Resources), occurred: occurred})
	d.put(v, 0)
	d.changes.Identities = append(d.changes.Identities, claims...)
	if g, ok := r.Store.(*gathered); ok {
		g.learn(d.changes.Resources[len(d.changes.Resources)-1], claims)
	}
}

// undoes reports whether a body would bring back, by saying nothing of it, a patient's record
// that another one has replaced: a sender that has not heard of the merge goes on as before.
func undoes(current *store.Resource, body []byte) bool {
	return current.Type == "Patient" && len(fhir.Linked(current.Body)[fhir.LinkReplacedBy]) > 0 && len(fhir.Linked(body)[fhir.LinkReplacedBy]) == 0
}
