package episode

import (
	"context"
	"errors"
	"fmt"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/store"
)

// systemCanonical is the system of the identifier that a canonical url|version gets its id by.
const systemCanonical = "urn:fhirsvc:canonical"

// publish stores what others refer to by canonical url: protocols, code systems, search
// parameters. A version is stored once and never changes; it belongs to the release, so it
// is no change that is told. Types that are not served are left out. Every fault of every
// resource is named at once.
func (s *Service) publish(ctx context.Context, bodies [][]byte) error {
	var faults []error
	for _, body := range bodies {
		if err := s.publishOne(ctx, body); err != nil {
			faults = append(faults, err)
		}
	}
	return errors.Join(faults...)
}

func (s *Service) publishOne(ctx context.Context, body []byte) error {
	doc, issues := tree.Parse(body)
	if doc == nil || outcome.HasErrors(issues) {
		return outcome.Reject("publish", issues)
	}
	kind := doc.Root.Str("resourceType")
	if len(search.Params(kind)) == 0 {
		return nil
	}
	canonical := doc.Root.Str("url") + "|" + doc.Root.Str("version")
	id := s.ids.known(kind, fhir.Identifier{System: systemCanonical, Value: canonical})
	if _, err := s.Store.Read(ctx, kind, id); !notFound(err) {
		return err // it was valid when it was stored
	}
	if issues = s.Outgoing.Resource(body); outcome.HasErrors(issues) {
		return fmt.Errorf("%s %s: %w", kind, canonical, outcome.Reject("publish", issues))
	}
	r, _, err := s.successor(nil, incoming{resourceType: kind, body: body}, id, s.Now())
	if err != nil {
		return err
	}
	r.Updated = s.Now()
	r.Index = indexOf(r)
	_, err = s.Store.Commit(ctx, []store.Changeset{{Resources: []store.Resource{r}}})
	return err // a conflict means that another replica has stored the same
}
