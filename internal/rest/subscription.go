package rest

import (
	"context"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"fhirsvc/internal/episode"
	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/rest/smart"
	"fhirsvc/internal/store"
)

// mostStatuses is how many Subscriptions one answer tells of.
const mostStatuses = 200

// subscriptionStatus is GET Subscription/{id}/$status.
func (s *server) subscriptionStatus(c echo.Context) error {
	if err := only(c.QueryParams(), "id", "status"); err != nil { // which are ignored here, as the guide says
		return err
	}
	ctx := c.Request().Context()
	r, err := s.look(ctx, interactionRead, "Subscription", func(f fenced, _ *fhir.Access) (reply, error) {
		r, err := f.read(ctx, "Subscription", c.Param("id"))
		if err != nil {
			return reply{}, err
		}
		b := bundle{Type: "searchset", Total: 1}
		err = s.addStatus(ctx, &b, r)
		return reply{status: http.StatusOK, body: b.json()}, err
	})
	if err != nil {
		return err
	}
	return s.answer(c, r)
}

// addStatus adds how a Subscription stands.
func (s *server) addStatus(ctx context.Context, b *bundle, r store.Resource) error {
	body, err := s.o.Subscribing.SubscriptionStatus(ctx, r)
	if err == nil {
		b.add(entry{FullURL: "urn:uuid:" + uuid.NewString(), Resource: body, Mode: "match"})
	}
	return err
}

// subscriptionStatuses is GET Subscription/$status: how the caller's Subscriptions stand,
// all, or those with these ids and statuses.
func (s *server) subscriptionStatuses(c echo.Context) error {
	params := c.QueryParams()
	if err := only(params, "id", "status"); err != nil {
		return err
	}
	ctx := c.Request().Context()
	r, err := s.look(ctx, interactionSearch, "Subscription", func(f fenced, a *fhir.Access) (reply, error) {
		a.Query = "Subscription/$status"
		q := search.Query{Type: "Subscription", Count: mostStatuses, All: statusConditions(params)}
		page, err := f.search(ctx, q)
		if err != nil {
			return reply{}, err
		}
		if page.Next != nil {
			return reply{}, outcome.Fail(outcome.CodeTooCostly, "", "there are more than %d of them: name them by id", mostStatuses)
		}
		b := bundle{Type: "searchset", Total: page.Total}
		for _, r := range page.Matches {
			if err := s.addStatus(ctx, &b, r); err != nil {
				return reply{}, err
			}
		}
		return reply{status: http.StatusOK, body: b.json()}, nil
	})
	if err != nil {
		return err
	}
	return s.answer(c, r)
}

func statusConditions(params url.Values) []search.Condition {
	var all []search.Condition
	for _, p := range []struct{ param, name string }{{"_id", "id"}, {"status", "status"}} {
		c := search.Condition{Param: p.param, Kind: search.Token}
		for _, value := range params[p.name] {
			c.Any = append(c.Any, search.Term{Code: value})
		}
		if len(c.Any) > 0 {
			all = append(all, c)
		}
	}
	return all
}

// subscriptionEvents is GET Subscription/{id}/$events: what was to be told, again.
func (s *server) subscriptionEvents(c echo.Context) error {
	from, to, content, err := eventParams(c.QueryParams())
	if err != nil {
		return err
	}
	ctx := c.Request().Context()
	r, err := s.look(ctx, interactionRead, "Subscription", func(f fenced, a *fhir.Access) (reply, error) {
		r, err := f.read(ctx, "Subscription", c.Param("id"))
		if err != nil {
			return reply{}, err
		}
		body, seen, err := s.o.Subscribing.SubscriptionEvents(ctx, callOf(ctx).Client, r, from, to, content)
		if err != nil {
			return reply{}, err
		}
		a.Data, a.Query = location(&r), "Subscription/$events"
		for _, told := range seen {
			a.Patient = append(a.Patient, episode.Patients(told)...)
		}
		a.Patient = slices.Compact(slices.Sorted(slices.Values(a.Patient)))
		return reply{status: http.StatusOK, body: body}, nil
	})
	if err != nil {
		return err
	}
	return s.answer(c, r)
}

// eventParams reads the first and the last number, both included, and how much to tell.
func eventParams(params url.Values) (from, to int64, content fhir.Content, err error) {
	if err = only(params, "eventsSinceNumber", "eventsUntilNumber", "content"); err != nil {
		return 0, 0, "", err
	}
	number := func(name string, otherwise int64) int64 {
		text := params.Get(name)
		if text == "" {
			return otherwise
		}
		n, bad := strconv.ParseInt(text, 10, 64)
		if bad != nil || n < 0 {
			err = outcome.Fail(outcome.CodeInvalid, "", "%s is the number of an event", name)
		}
		return n
	}
	from, to = number("eventsSinceNumber", 1), number("eventsUntilNumber", math.MaxInt64)
	content = fhir.Content(params.Get("content"))
	if err == nil && !slices.Contains([]fhir.Content{"", fhir.ContentEmpty, fhir.ContentIDOnly, fhir.ContentFull}, content) {
		err = outcome.Fail(outcome.CodeInvalid, "", "content is one of empty, id-only and full-resource")
	}
	return from, to, content, err
}

// only refuses parameters but these and _format.
func only(params url.Values, names ...string) error {
	for name := range params {
		if name != "_format" && !slices.Contains(names, name) {
			return outcome.Fail(outcome.CodeNotSupported, "", "this operation takes %v", names)
		}
	}
	return nil
}

// maySubscribe holds a Subscription to the scopes for what it is about: who is told of
// changes could as well read and search them.
func maySubscribe(k smart.Caller, e episode.Entry) error {
	about := ""
	if e.Type == "Subscription" && e.Method != http.MethodPatch { // which can't change the criteria
		about = fhir.SubscriptionType(e.Body)
	}
	if about == "" {
		return nil // what can't be read is refused later
	}
	if err := permit(k, about, smart.Read); err != nil {
		return err
	}
	return permit(k, about, smart.Search)
}
