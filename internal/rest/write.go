package rest

import (
	"net/http"

	"github.com/labstack/echo/v4"

	"fhirsvc/internal/episode"
	"fhirsvc/internal/fhir/outcome"
)

func (s *server) create(resourceType string) echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := mustBeResource(c); err != nil {
			return err
		}
		return s.write(c, episode.Entry{
			Method: http.MethodPost, Type: resourceType, IfNoneExist: c.Request().Header.Get("If-None-Exist"),
		})
	}
}

func (s *server) update(resourceType string) echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := mustBeResource(c); err != nil {
			return err
		}
		return s.write(c, episode.Entry{
			Method: http.MethodPut, Type: resourceType, ID: c.Param("id"), IfMatch: c.Request().Header.Get("If-Match"),
		})
	}
}

func (s *server) patch(resourceType string) echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := mustBe(c, jsonPatch); err != nil {
			return err
		}
		return s.write(c, episode.Entry{
			Method: http.MethodPatch, Type: resourceType, ID: c.Param("id"), IfMatch: c.Request().Header.Get("If-Match"),
		})
	}
}

func (s *server) write(c echo.Context, e episode.Entry) error {
	if err := onlyFormat(c.QueryParams()); err != nil {
		return err
	}
	if err := s.mayChange(c.Request().Context(), e); err != nil { // before its body is read
		return err
	}
	body, err := readBody(c)
	if err != nil {
		return err
	}
	e.Body = body
	if err := checkEntry(e); err != nil {
		return err
	}
	results, err := s.change(c.Request().Context(), []episode.Entry{e})
	if err != nil {
		return err
	}
	return s.answer(c, written(e, results[0]))
}

// checkEntry holds what is written against its address.
func checkEntry(e episode.Entry) error {
	if e.ID != "" && !isID(e.ID) {
		return notThere()
	}
	if e.Method == http.MethodPatch {
		doc, err := parsed(e.Body)
		if err == nil && doc.Root.First() == nil {
			return outcome.Fail(outcome.CodeStructure, "", "a JSON Patch is an array of operations (RFC 6902)")
		}
		return err
	}
	return checkBody(e.Body, e.Type, e.ID)
}

// written is the reply to a change. A create that repeats an earlier one is answered
// like it, with 200 (hl7.org/fhir/R4/http.html#ccreate).
func written(e episode.Entry, r episode.EntryResult) reply {
	out := reply{
		status: http.StatusOK, body: r.Resource.Body, resource: &r.Resource,
		change: true, created: e.Method == http.MethodPost, warnings: r.Warnings,
	}
	if r.Created {
		out.status = http.StatusCreated
	}
	return out
}
