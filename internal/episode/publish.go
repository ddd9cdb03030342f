package episode

import (
	"context"
	"errors"
	"fmt"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/store"
)

// systemCanonical is the system of the identifier that a canonical url|version gets its id by.
const systemCanonical = "urn:fhirsvc:canonical"

// publish stores what others refer to by canonical url: protocols, code systems, search
// parameters. A version is stored once and never changes; it belongs to the release, so it
// is no change that is told. Types that are not served are left out. Every fault of every
// resource is named at once.
func (s *Service) publish(ctx context.Context, list []named) error {
	var faults []error
	for _, one := range list {
		if err := s.publishOne(ctx, one); err != nil {
			faults = append(faults, err)
		}
	}
	return errors.Join(faults...)
}

func (s *Service) publishOne(ctx context.Context, n named) error {
	if len(search.Params(n.kind)) == 0 {
		return nil
	}
	id := s.ids.known(n.kind, fhir.Identifier{System: systemCanonical, Value: n.canonical})
	if _, err := s.Store.Read(ctx, n.kind, id); !notFound(err) {
		return err // it was valid when it was stored
	}
	if issues := s.Outgoing.Resource(n.body); outcome.HasErrors(issues) {
		return fmt.Errorf("%s %s: %w", n.kind, n.canonical, outcome.Reject("publish", issues))
	}
	r, _, err := s.successor(nil, incoming{resourceType: n.kind, body: n.body}, id, s.Now())
	if err != nil {
		return err
	}
	r.Updated = s.Now()
	r.Index = indexOf(r)
	_, err = s.Store.Commit(ctx, []store.Changeset{{Resources: []store.Resource{r}}})
	return err // a conflict means that another replica has stored the same
}
