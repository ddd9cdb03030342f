package rest

import (
	"context"
	"net/http"

	"github.com/labstack/echo/v4"

	"fhirsvc/internal/episode"
	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
)

// timeline is GET CarePlan/[id]/$timeline: what happened to the band, as an SVG picture; as
// a Binary with the picture in it to a client that takes FHIR alone, as for every Binary
// (hl7.org/fhir/R4/binary.html). It takes no parameters.
func (s *server) timeline(c echo.Context) error {
	form := best(accepted(c), fhir.Image, fhir.ContentType, echo.MIMEApplicationJSON, "json")
	if form == "" {
		return refuse(http.StatusNotAcceptable, outcome.CodeNotSupported, "this is an %s, or a Binary as application/fhir+json", fhir.Image)
	}
	r, err := s.ofPlan(c, "$timeline", episode.TimelineTypes(), func(ctx context.Context, u episode.Units, id string) ([]byte, store.Resource, error) {
		return s.o.Planning.Timeline(ctx, u, id)
	})
	if err != nil {
		return err
	}
	id := c.Param("id")
	if form == fhir.Image {
		h := c.Response().Header()
		h.Set("Content-Security-Policy", "default-src 'none'; sandbox") // it needs nothing, and runs nothing
		h.Set("Content-Disposition", `inline; filename="timeline-`+id+`.svg"`)
		return c.Blob(http.StatusOK, fhir.Image, r.body)
	}
	if r.body, err = fhir.RenderBinary(fhir.Image, "CarePlan/"+id, r.body); err != nil {
		return err
	}
	return s.answer(c, r)
}
