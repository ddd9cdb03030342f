package rest

import (
	"net/http"

	"github.com/labstack/echo/v4"

	"fhirsvc/internal/episode"
	"fhirsvc/internal/fhir"
)

// handover is GET CarePlan/[id]/$handover: one page to hand a plan over, an R4 document. It
// takes no parameters. Who asks may read every type that can be in it.
func (s *server) handover(c echo.Context) error {
	if err := onlyFormat(c.QueryParams()); err != nil {
		return err
	}
	id := c.Param("id")
	if !isID(id) {
		return notThere()
	}
	ctx := c.Request().Context()
	r, err := s.look(ctx, interactionRead, "CarePlan", func(f fenced, a *fhir.Access) (reply, error) {
		a.Query = "CarePlan/$handover"
		for _, resourceType := range episode.HandoverTypes() {
			if err := permit(callOf(ctx), resourceType, interactionRead.permission()); err != nil {
				return reply{}, err
			}
		}
		body, plan, err := s.o.Planning.Handover(ctx, f.client.Sees("CarePlan"), id, s.base(c))
		if err != nil {
			return reply{}, err
		}
		a.Data, a.Unit, a.Patient = location(&plan), plan.Unit, episode.Patients(plan)
		return reply{status: http.StatusOK, body: body}, nil
	})
	if err != nil {
		return err
	}
	return s.answer(c, r)
}
