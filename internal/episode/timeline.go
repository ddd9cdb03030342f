package episode

import (
	"context"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/store"
)

// TimelineTypes are the resource types of which a picture of a plan shows something.
func TimelineTypes() []string {
	return []string{"CarePlan", "Encounter", "MedicationAdministration", "Observation", "Procedure", "ServiceRequest", "Task"}
}

// Timeline draws what happened to the band of a plan, from the state as it is stored, as
// SVG; and gives the version of the plan that it is of. Nothing is stored. Errors: not-found
// for a plan that is not there or is another unit's, and the store's.
func (s *Service) Timeline(ctx context.Context, u Units, plan string) ([]byte, store.Resource, error) {
	l, r, err := s.seePlan(ctx, u, plan)
	if err != nil {
		return nil, r, err
	}
	return fhir.DrawTimeline(l.core.Timeline(), s.contextOf(l), s.Now()), r, nil
}
