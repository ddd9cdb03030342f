package rest

import (
	"context"
	"net/url"
	"strconv"

	"github.com/labstack/echo/v4"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
)

func (s *server) read(resourceType string) echo.HandlerFunc {
	return func(c echo.Context) error {
		r, err := s.current(c.Request().Context(), resourceType, c.Param("id"), c.QueryParams())
		if err != nil {
			return err
		}
		return s.answer(c, r)
	}
}

func (s *server) vread(resourceType string) echo.HandlerFunc {
	return func(c echo.Context) error {
		r, err := s.version(c.Request().Context(), resourceType, c.Param("id"), c.Param("version"), c.QueryParams())
		if err != nil {
			return err
		}
		return s.answer(c, r)
	}
}

func (s *server) current(ctx context.Context, resourceType, id string, query url.Values) (reply, error) {
	view, err := viewed(resourceType, query)
	if err != nil {
		return reply{}, err
	}
	if !isID(id) {
		return reply{}, notThere()
	}
	return s.look(ctx, interactionRead, resourceType, func(f fenced, _ *fhir.Access) (reply, error) {
		r, err := f.read(ctx, resourceType, id)
		return found(view, r, err)
	})
}

func (s *server) version(ctx context.Context, resourceType, id, version string, query url.Values) (reply, error) {
	view, err := viewed(resourceType, query)
	if err != nil {
		return reply{}, err
	}
	n, err := strconv.ParseInt(version, 10, 64)
	if err != nil || n < 1 || !isID(id) {
		return reply{}, notThere()
	}
	return s.look(ctx, interactionVread, resourceType, func(f fenced, _ *fhir.Access) (reply, error) {
		r, err := f.version(ctx, resourceType, id, n)
		return found(view, r, err)
	})
}

func notThere() error { return outcome.Fail(outcome.CodeNotFound, "", "there is no such resource") }

// onlyFormat refuses parameters that would change what a read gives, if they were
// served.
func onlyFormat(query url.Values) error {
	for name := range query {
		if name != "_format" {
			return outcome.Fail(outcome.CodeNotSupported, "", "no parameter but _format is served here")
		}
	}
	return nil
}
