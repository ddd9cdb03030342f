package rest

import (
	"net/http"

	"github.com/labstack/echo/v4"

	"fhirsvc/internal/fhir"
)

// apply is R4's PlanDefinition/[id]/$apply, a dry run: the plan that the protocol would
// give, as a draft (hl7.org/fhir/R4/plandefinition-operation-apply.html).
func (s *server) apply(c echo.Context) error {
	if err := mustBeResource(c); err != nil {
		return err
	}
	if err := onlyFormat(c.QueryParams()); err != nil {
		return err
	}
	id := c.Param("id")
	if !isID(id) {
		return notThere()
	}
	ctx := c.Request().Context()
	r, err := s.look(ctx, interactionRead, "PlanDefinition", func(f fenced, a *fhir.Access) (reply, error) {
		a.Query = "PlanDefinition/$apply"
		if err := permit(callOf(ctx), "Patient", interactionRead.permission()); err != nil {
			return reply{}, err
		}
		protocol, err := f.read(ctx, "PlanDefinition", id)
		if err != nil {
			return reply{}, err
		}
		body, err := readBody(c)
		if err == nil {
			err = checkBody(body, "Parameters", "")
		}
		if err != nil {
			return reply{}, err
		}
		draft, patient, err := s.o.Planning.Apply(ctx, f.client.Sees("Patient"), protocol, body)
		if err != nil {
			return reply{}, err
		}
		a.Data, a.Patient = location(&protocol), []string{patient}
		return reply{status: http.StatusOK, body: draft}, nil
	})
	if err != nil {
		return err
	}
	return c.Blob(r.status, contentType, r.body)
}
