package rest

import (
	"context"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/fhir/subset"
	"fhirsvc/internal/store"
)

func (s *server) search(resourceType string) echo.HandlerFunc {
	return func(c echo.Context) error {
		r, err := s.searchset(c.Request().Context(), s.base(c), resourceType, c.QueryParams(), handling(c.Request().Header))
		if err != nil {
			return err
		}
		return s.answer(c, r)
	}
}

// searchByForm is POST [type]/_search: parameters in the body, so that identifiers stay
// out of URLs, and in the URL.
func (s *server) searchByForm(resourceType string) echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := mustBe(c, webForm); err != nil {
			return err
		}
		params, err := form(c)
		if err != nil {
			return err
		}
		r, err := s.searchset(c.Request().Context(), s.base(c), resourceType, params, handling(c.Request().Header))
		if err != nil {
			return err
		}
		return c.Blob(r.status, contentType, r.body)
	}
}

func form(c echo.Context) (url.Values, error) {
	body, err := readBody(c)
	if err != nil {
		return nil, err
	}
	params, err := url.ParseQuery(string(body))
	if err != nil {
		return nil, outcome.Fail(outcome.CodeInvalid, "", "the body is not a web form")
	}
	for name, values := range c.QueryParams() {
		params[name] = append(params[name], values...)
	}
	return params, nil
}

func handling(h http.Header) search.Handling {
	if preferred(h, "handling") == "lenient" {
		return search.Lenient
	}
	return search.Strict
}

// asked is a search as it will be made.
type asked struct {
	query    search.Query
	includes []search.Include
	view     subset.View
	applied  url.Values
	warnings []outcome.Issue
	first    time.Time // when its first page was asked for
	self     string
	count    bool // the total alone
}

func (s *server) searchset(
	ctx context.Context, base, resourceType string, params url.Values, h search.Handling,
) (reply, error) {
	return s.look(ctx, interactionSearch, resourceType, func(f fenced, told *fhir.Access) (reply, error) {
		a, err := s.ask(base, resourceType, params, h)
		if err != nil {
			return reply{}, err
		}
		left, err := mayReach(callOf(ctx), &a)
		if err != nil {
			return reply{}, err
		}
		a.warnings = append(a.warnings, left...)
		told.Query, told.Patient = queryTold(resourceType, a)
		page, err := f.search(ctx, a.query)
		if err != nil {
			return reply{}, err
		}
		if a.count {
			return s.found(base, resourceType, a, page, nil), nil
		}
		included, err := f.include(ctx, page.Matches, a.includes, callOf(ctx).Scopes)
		if err != nil {
			return reply{}, err
		}
		tellIncluded(told, included)
		if err := seen(a.view, page.Matches, included); err != nil {
			return reply{}, err
		}
		return s.found(base, resourceType, a, page, included), nil
	})
}

// queryTold is a search as the audit trail keeps it: the names of its parameters, since
// values may be a patient's name or number, what it includes, and the patients that it
// refers to.
func queryTold(resourceType string, a asked) (query string, patients []string) {
	var names []string
	for _, c := range a.query.All {
		names = append(names, c.Param)
	}
	search.Each(a.query.All, func(c search.Condition) {
		for _, t := range c.Any {
			if c.Kind == search.Reference && t.System == "Patient" && isID(t.Code) {
				patients = append(patients, "Patient/"+t.Code)
			}
		}
	})
	for _, i := range a.includes {
		names = append(names, i.String())
	}
	return resourceType + "?" + strings.Join(names, "&"), patients
}

// found is the searchset of a page with what it includes.
func (s *server) found(base, resourceType string, a asked, page store.Page, included []store.Resource) reply {
	b := bundle{Type: "searchset", Total: page.Total, Self: a.self}
	if a.count {
		return reply{status: http.StatusOK, body: b.json()}
	}
	for _, r := range page.Matches {
		b.add(entry{FullURL: base + "/" + r.Type + "/" + r.ID, Resource: r.Body, Mode: "match"})
	}
	for _, r := range included {
		b.add(entry{FullURL: base + "/" + r.Type + "/" + r.ID, Resource: r.Body, Mode: "include"})
	}
	if len(a.warnings) > 0 {
		b.add(entry{Resource: outcome.JSON(a.warnings), Mode: "outcome"})
	}
	link := func(at *search.Cursor, back bool) string {
		if at == nil {
			return ""
		}
		sealed := s.seal(resourceType, place{Query: a.applied.Encode(), Asked: a.first, Keys: at.Keys, ID: at.ID, Back: back})
		return base + "/" + resourceType + "?" + cursorParam + "=" + sealed
	}
	b.Next, b.Previous = link(page.Next, false), link(page.Previous, true)
	return reply{status: http.StatusOK, body: b.json()}
}

// ask reads the parameters of a first page, or the cursor of another one.
func (s *server) ask(base, resourceType string, params url.Values, h search.Handling) (asked, error) {
	if params.Has(cursorParam) {
		return s.askOn(base, resourceType, params, params.Get(cursorParam))
	}
	return s.askAt(base, resourceType, params, h, s.o.Clock())
}

// askAt reads the parameters as they are meant at a time: "ap" of a date is about now.
func (s *server) askAt(base, resourceType string, params url.Values, h search.Handling, now time.Time) (asked, error) {
	own := url.Values{}
	includes := url.Values{}
	rest := url.Values{}
	for name, values := range params {
		switch {
		case name == "_format":
		case name == "_summary", name == "_elements":
			own[name] = values
		case search.IsInclude(name):
			includes[name] = values
		default:
			rest[name] = values
		}
	}
	a := asked{first: now.UTC()}
	options := search.Options{Handling: h, Base: base, Now: now}
	var issues, more []outcome.Issue
	a.query, a.applied, issues = search.Parse(resourceType, rest, options)
	a.includes, includes, more = search.ParseIncludes(resourceType, includes, options)
	view, unread := viewOf(resourceType, own, h, "count")
	issues = slices.Concat(issues, more, unread)
	if view.Mode == subset.Text && len(a.includes) > 0 {
		issues = append(issues, outcome.Errorf(outcome.CodeInvalid, "", "_summary=text is without includes"))
	}
	if outcome.HasErrors(issues) {
		return asked{}, outcome.Reject("search", issues)
	}
	maps.Copy(a.applied, own)
	maps.Copy(a.applied, includes)
	a.view, a.warnings = view, issues
	a.count = own.Get("_summary") == "count" || a.applied.Get("_count") == "0"
	if a.count {
		a.query.Count, a.query.NoTotal = 1, false
	}
	a.self = base + "/" + resourceType + "?" + a.applied.Encode()
	return a, nil
}

func (s *server) askOn(base, resourceType string, params url.Values, cursor string) (asked, error) {
	for name := range params {
		if name != cursorParam && name != "_format" {
			return asked{}, outcome.Fail(outcome.CodeInvalid, "", "a link to a page is taken as it is: its filters are in it")
		}
	}
	var p place
	if err := s.open(resourceType, cursor, &p); err != nil {
		return asked{}, err
	}
	sealed, err := url.ParseQuery(p.Query)
	if err != nil {
		return asked{}, badCursor()
	}
	a, err := s.askAt(base, resourceType, sealed, search.Strict, p.Asked)
	if err != nil {
		return asked{}, err
	}
	if len(p.Keys) != len(a.query.Sort) { // of another release
		return asked{}, badCursor()
	}
	at := &search.Cursor{Keys: p.Keys, ID: p.ID}
	if p.Back {
		a.query.Before = at
	} else {
		a.query.After = at
	}
	a.self = base + "/" + resourceType + "?" + cursorParam + "=" + cursor
	return a, nil
}
