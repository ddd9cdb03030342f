package rest

import (
	"context"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"fhirsvc/internal/episode"
	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/store"
)

func (s *server) history(resourceType string) echo.HandlerFunc {
	return func(c echo.Context) error {
		r, err := s.versions(c.Request().Context(), s.base(c), resourceType, c.Param("id"), c.QueryParams())
		if err != nil {
			return err
		}
		return s.answer(c, r)
	}
}

func (s *server) historyOfType(resourceType string) echo.HandlerFunc {
	return func(c echo.Context) error {
		r, err := s.versionsOfType(c.Request().Context(), s.base(c), resourceType, c.QueryParams())
		if err != nil {
			return err
		}
		return s.answer(c, r)
	}
}

// versions are those of one resource, newest first (hl7.org/fhir/R4/http.html#history).
func (s *server) versions(ctx context.Context, base, resourceType, id string, query url.Values) (reply, error) {
	if !isID(id) {
		return reply{}, notThere()
	}
	scope := resourceType + "/" + id + "/_history"
	p, err := s.past(scope, query)
	if err != nil {
		return reply{}, err
	}
	return s.look(ctx, interactionHistory, resourceType, func(f fenced, a *fhir.Access) (reply, error) {
		now, err := f.read(ctx, resourceType, id)
		if err != nil {
			return reply{}, err
		}
		a.Data, a.Unit, a.Patient = resourceType+"/"+id, now.Unit, episode.Patients(now)
		return s.pastReply(ctx, f, base, scope, p.of(resourceType, id))
	})
}

// versionsOfType are those of all resources of a type, newest first.
func (s *server) versionsOfType(ctx context.Context, base, resourceType string, query url.Values) (reply, error) {
	scope := resourceType + "/_history"
	p, err := s.past(scope, query)
	if err != nil {
		return reply{}, err
	}
	return s.look(ctx, interactionHistoryType, resourceType, func(f fenced, a *fhir.Access) (reply, error) {
		a.Query = scope + "?_since&_count"
		return s.pastReply(ctx, f, base, scope, p.of(resourceType, ""))
	})
}

// pastAsked is a question for versions as it was asked; it is what the link to its next page
// holds.
type pastAsked struct {
	Since time.Time    `json:"s"`
	Count int          `json:"c"`
	After *store.Place `json:"a,omitempty"`
	self  string       // its parameters
}

func (p pastAsked) of(resourceType, id string) pastOf {
	return pastOf{pastAsked: p, past: store.Past{Type: resourceType, ID: id, Since: p.Since, Count: p.Count, After: p.After}}
}

// pastOf is a question for versions with what it is about.
type pastOf struct {
	pastAsked
	past store.Past
}

// past reads _since and _count, or the link to a next page.
func (s *server) past(scope string, query url.Values) (pastAsked, error) {
	p := pastAsked{Count: search.MaximumCount}
	if cursor := query.Get(cursorParam); cursor != "" {
		if others := len(query) - len(query["_format"]) - 1; others > 0 {
			return p, outcome.Fail(outcome.CodeInvalid, "", "a link to a page is taken as it is: what was asked is in it")
		}
		p.self = cursorParam + "=" + cursor
		return p, s.open(scope, cursor, &p)
	}
	for name := range query {
		if !slices.Contains([]string{"_since", "_count", "_format"}, name) {
			return p, outcome.Fail(outcome.CodeNotSupported, "", "no parameters but _since, _count and _format are served here")
		}
	}
	var used []string
	if text, given := query["_since"]; given {
		since, err := time.Parse(time.RFC3339Nano, text[0])
		if err != nil || len(text) > 1 {
			return p, outcome.Fail(outcome.CodeInvalid, "", "_since is an instant such as 2026-03-02T10:00:00Z (a + is written %%2B)")
		}
		p.Since = since
		used = append(used, "_since="+url.QueryEscape(text[0]))
	}
	if text, given := query["_count"]; given {
		n, err := strconv.Atoi(text[0])
		if err != nil || n < 1 || len(text) > 1 {
			return p, outcome.Fail(outcome.CodeInvalid, "", "_count is a whole number from 1 to %d", search.MaximumCount)
		}
		p.Count = min(n, search.MaximumCount)
	}
	p.self = strings.Join(append(used, "_count="+strconv.Itoa(p.Count)), "&")
	return p, nil
}

func (s *server) pastReply(ctx context.Context, f fenced, base, scope string, p pastOf) (reply, error) {
	page, err := f.past(ctx, p.past)
	if err != nil {
		return reply{}, err
	}
	b := bundle{Type: "history", Total: -1, Self: base + "/" + scope + "?" + p.self}
	if p.After == nil && page.Next == nil { // of more than a page nobody counts them
		b.Total = len(page.Versions)
	}
	for _, r := range page.Versions {
		b.add(historyEntry(base, r))
	}
	if page.Next != nil {
		next := p.pastAsked
		next.After = page.Next
		b.Next = base + "/" + scope + "?" + cursorParam + "=" + s.seal(scope, next)
	}
	return reply{status: http.StatusOK, body: b.json()}, nil
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
