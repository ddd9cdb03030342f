package episode

import (
	"bytes"
	"context"
	"fmt"
	"time"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/store"
)

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
