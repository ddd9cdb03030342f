package rest

import (
	"context"
	"net/http"

	"github.com/labstack/echo/v4"

	"fhirsvc/internal/episode"
	"fhirsvc/internal/fhir"
	"fhirsvc/internal/store"
)

// handover is GET CarePlan/[id]/$handover: one page to hand a plan over, an R4 document. It
// takes no parameters.
func (s *server) handover(c echo.Context) error {
	r, err := s.ofPlan(c, "$handover", episode.HandoverTypes(), func(ctx context.Context, u episode.Units, id string) ([]byte, store.Resource, error) {
		return s.o.Planning.Handover(ctx, u, id, s.base(c))
	})
	if err != nil {
		return err
	}
	return s.answer(c, r)
}

// ofPlan answers an operation on a plan that shows what is in many resources: who asks may
// read every type that can be in it, since what is missing would not be seen.
func (s *server) ofPlan(
	c echo.Context, name string, types []string, work func(ctx context.Context, u episode.Units, id string) ([]byte, store.Resource, error),
) (reply, error) {
	if err := onlyFormat(c.QueryParams()); err != nil {
		return reply{}, err
	}
	id := c.Param("id")
	if !isID(id) {
		return reply{}, notThere()
	}
	ctx := c.Request().Context()
	return s.look(ctx, interactionRead, "CarePlan", func(f fenced, a *fhir.Access) (reply, error) {
		a.Query = "CarePlan/" + name
		for _, resourceType := range types {
			if err := permit(callOf(ctx), resourceType, interactionRead.permission()); err != nil {
				return reply{}, err
			}
		}
		body, plan, err := work(ctx, f.client.Sees("CarePlan"), id)
		if err != nil {
			return reply{}, err
		}
		a.Data, a.Unit, a.Patient = location(&plan), plan.Unit, episode.Patients(plan)
		return reply{status: http.StatusOK, body: body}, nil
	})
}
