package episode

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/store"
)

// leave reads all that is stored of an episode that moves to another unit: what the service
// wrote, and what was charted.
func (s *Service) leave(ctx context.Context, l *loaded) error {
	names := slices.Sorted(maps.Keys(l.state.Known))
	for _, f := range l.core.Findings {
		kind := "Observation/"
		if l.dose(f.ID) {
			kind = "MedicationAdministration/"
		}
		names = append(names, kind+f.ID)
	}
	for _, o := range l.core.Orders {
		names = append(names, "ServiceRequest/"+o.ID)
	}
	for _, name := range names {
		resourceType, id, _ := strings.Cut(name, "/")
		r, err := s.Store.Read(ctx, resourceType, id)
		switch {
		case notFound(err): // told by the event, which is kept anew
		case err != nil:
			return err
		case r.Episode == l.id:
			l.leaving = append(l.leaving, r)
		}
	}
	var err error
	l.leaving, err = s.withForms(ctx, l.leaving)
	return err
}

// carry gives what the step left as it was a version in the unit that the episode has now: in
// a new one its nurses see the plan whole.
func (d *draft) carry(l *loaded, seq int64) error {
	for _, r := range l.leaving {
		if d.resource(r.Type, r.ID) != nil {
			continue
		}
		next, err := d.s.sameAgain(r, d.at)
		if err != nil {
			return err
		}
		next.Unit = l.state.Refs.Unit
		if known, ok := l.state.Known[r.Type+"/"+r.ID]; ok {
			known.Version = next.Version
			l.state.Known[r.Type+"/"+r.ID] = known
		}
		d.put(next, seq)
	}
	return nil
}

// sameAgain is the next version of a resource, with the same content.
func (s *Service) sameAgain(r store.Resource, at time.Time) (store.Resource, error) {
	doc, _ := tree.Parse(r.Body)
	if doc == nil {
		return r, fmt.Errorf("next version of %s/%s: what is stored can't be read", r.Type, r.ID)
	}
	r.Version, r.Skipped = s.after(r.Version)
	var err error
	r.Body, err = fhir.Rewrite(doc, fhir.Rewriting{Version: fhir.Version{ID: r.ID, Number: r.Version, At: at}})
	return r, err
}
