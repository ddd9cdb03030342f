package rest

import (
	"context"
	"net/http"
	"net/url"
	"strconv"

	"github.com/labstack/echo/v4"

	"fhirsvc/internal/episode"
	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
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

func (s *server) history(resourceType string) echo.HandlerFunc {
	return func(c echo.Context) error {
		r, err := s.versions(c.Request().Context(), s.base(c), resourceType, c.Param("id"), c.QueryParams())
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

func (s *server) versions(ctx context.Context, base, resourceType, id string, query url.Values) (reply, error) {
	if err := onlyFormat(query); err != nil {
		return reply{}, err
	}
	if !isID(id) {
		return reply{}, notThere()
	}
	return s.look(ctx, interactionHistory, resourceType, func(f fenced, a *fhir.Access) (reply, error) {
		all, err := f.history(ctx, resourceType, id)
		if err != nil {
			return reply{}, err
		}
		a.Data, a.Unit, a.Patient = resourceType+"/"+id, all[0].Unit, episode.Patients(all[0])
		b := bundle{Type: "history", Total: len(all), Self: base + "/" + resourceType + "/" + id + "/_history"}
		for _, r := range all {
			b.add(historyEntry(base, r))
		}
		return reply{status: http.StatusOK, body: b.json()}, nil
	})
}

// historyEntry tells how a version came about; bdl-3 and bdl-4 want both request and
// response in a history (hl7.org/fhir/R4/bundle.html#bdl-3).
func historyEntry(base string, r store.Resource) entry {
	e := entry{
		FullURL:  base + "/" + r.Type + "/" + r.ID,
		Resource: r.Body,
		Request:  &entryRequest{Method: http.MethodPut, URL: r.Type + "/" + r.ID},
		Response: &entryResponse{Status: "200", ETag: etag(r.Version), LastModified: instant(r.Updated)},
	}
	if r.Version == 1 {
		e.Request = &entryRequest{Method: http.MethodPost, URL: r.Type}
		e.Response.Status = "201"
	}
	return e
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
