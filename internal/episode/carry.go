package episode

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/store"
)

// leave reads all that the service wrote for an episode that moves to another unit.
func (s *Service) leave(ctx context.Context, l *loaded) error {
	for _, name := range slices.Sorted(maps.Keys(l.state.Known)) {
		resourceType, id, _ := strings.Cut(name, "/")
		r, err := s.Store.Read(ctx, resourceType, id)
		if err != nil {
			return err
		}
		l.leaving = append(l.leaving, r)
	}
	return nil
}

// carry gives what the step left as it was a version in the new unit, so that its nurses
// see the plan whole.
func (d *draft) carry(l *loaded, seq int64) error {
	for _, r := range l.leaving {
		if d.resource(r.Type, r.ID) != nil {
			continue
		}
		doc, _ := tree.Parse(r.Body)
		if doc == nil {
			return fmt.Errorf("carry %s/%s: what is stored can't be read", r.Type, r.ID)
		}
		body, err := fhir.Rewrite(doc, fhir.Rewriting{Version: fhir.Version{ID: r.ID, Number: r.Version + 1, At: d.at}})
		if err != nil {
			return err
		}
		known := l.state.Known[r.Type+"/"+r.ID]
		known.Version = r.Version + 1
		l.state.Known[r.Type+"/"+r.ID] = known
		d.putOwn(store.Resource{Type: r.Type, ID: r.ID, Version: known.Version, Unit: l.state.Refs.Unit, Episode: l.id, Body: body}, seq)
	}
	return nil
}
