package push

import (
	"context"
	"strings"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
)

// links says how the copies of a plan refer to each other and to all else.
type links struct {
	c     *Carrier
	p     *plan
	sent  map[string]*item
	there map[string]*found // what a server was seen to have: for comparing, nil for sending
	err   error             // the first one
}

func (c *Carrier) links(p *plan) *links {
	l := &links{c: c, p: p, sent: map[string]*item{}}
	for _, i := range p.items {
		l.sent[i.name()] = i
	}
	return l
}

// local takes a reference to something of this service apart.
func (c *Carrier) local(reference string) (resourceType, id string, ok bool) {
	return fhir.LocalReference(strings.TrimPrefix(reference, c.o.Base+"/"))
}

// of gives the links as a rendering takes them; an error is kept in err.
func (l *links) of(ctx context.Context) fhir.CopyLinks {
	return func(reference string) (fhir.CopyLink, bool) {
		link, ok, err := l.link(ctx, reference)
		if err != nil && l.err == nil {
			l.err = err
		}
		return link, ok && err == nil
	}
}

// link gives what a copy writes for a reference: what is in the same Bundle by its fullUrl,
// what the server has by its id there, the patient by a condition that the server resolves to
// exactly one, and all else by its identifier. Of what is not known here only the text is
// left, so that it can't be taken for something else there.
func (l *links) link(ctx context.Context, reference string) (_ fhir.CopyLink, ok bool, err error) {
	kind, id, local := l.c.local(reference)
	if !local {
		return fhir.CopyLink{Display: reference}, strings.HasPrefix(reference, "urn:"), nil
	}
	if f := l.there[kind+"/"+id]; f != nil {
		return fhir.CopyLink{Reference: kind + "/" + f.id}, true, nil
	}
	if i := l.sent[kind+"/"+id]; i != nil && (!i.known || i.copy.RemoteID == "") {
		if i.known {
			return fhir.CopyLink{Reference: kind + "?" + fhir.Condition(i.key)}, true, nil
		}
		return fhir.CopyLink{Reference: i.urn()}, true, nil
	}
	state, err := l.state(ctx, kind, id)
	if err != nil || state.known && state.RemoteID != "" {
		return fhir.CopyLink{Reference: kind + "/" + state.RemoteID}, true, err
	}
	r, err := l.c.o.Store.Read(ctx, kind, id)
	if outcome.KindOf(err) == outcome.CodeNotFound {
		return fhir.CopyLink{Type: kind, Display: reference}, true, nil
	}
	if err != nil {
		return fhir.CopyLink{}, false, err
	}
	doc, err := parsed(r)
	if err != nil {
		return fhir.CopyLink{}, false, err
	}
	key, _ := fhir.CopyKey(doc, kind, id)
	if kind == "Patient" || state.known {
		return fhir.CopyLink{Reference: kind + "?" + fhir.Condition(key)}, true, nil
	}
	return fhir.CopyLink{Type: kind, Identifier: &fhir.Identifier{System: key.System, Value: key.Value}}, true, nil
}

// state gives what is known of the copy of something that is referred to.
func (l *links) state(ctx context.Context, kind, id string) (copyState, error) {
	name := kind + "/" + id
	if s, ok := l.p.copies[name]; ok || !fhir.Delivered(kind) {
		return s, nil
	}
	err := l.c.lookUp(ctx, l.p, []*item{{resourceType: kind, id: id}})
	return l.p.copies[name], err
}
