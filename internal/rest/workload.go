package rest

import (
	"context"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"github.com/labstack/echo/v4"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/search"
)

// Limits of a workload: a shift by default, a day at most.
const (
	workloadHours    = 8
	workloadMaxHours = 24
	workloadPage     = 200
)

// workload is GET Task/$workload: how many Tasks fall due in each quarter of an hour, by
// what is planned now. Parameters: from (dateTime with offset, required), hours (1 to
// 24). The answer is a Parameters resource.
func (s *server) workload(c echo.Context) error {
	from, hours, err := workloadParams(c.QueryParams())
	if err != nil {
		return err
	}
	ctx := c.Request().Context()
	r, err := s.look(ctx, interactionSearch, "Task", func(f fenced, a *fhir.Access) (reply, error) {
		a.Query = "Task/$workload?from&hours"
		tasks, err := f.planned(ctx, from.Add(time.Duration(hours)*time.Hour))
		if err != nil {
			return reply{}, err
		}
		body, err := fhir.RenderWorkload(tasks, from, hours)
		return reply{status: http.StatusOK, body: body}, err
	})
	if err != nil {
		return err
	}
	return s.answer(c, r)
}

func workloadParams(params url.Values) (from time.Time, hours int, err error) {
	for name := range params {
		if name != "from" && name != "hours" && name != "_format" {
			return from, 0, outcome.Fail(outcome.CodeNotSupported, "", "$workload takes from and hours, not %s", name)
		}
	}
	from, err = time.Parse(time.RFC3339, params.Get("from"))
	if err != nil {
		return from, 0, outcome.Fail(outcome.CodeInvalid, "", "from is the first instant, a dateTime with offset such as 2026-03-02T10:00:00Z (a + is written %%2B)")
	}
	hours = workloadHours
	if text := params.Get("hours"); text != "" {
		if hours, err = strconv.Atoi(text); err != nil || hours < 1 || hours > workloadMaxHours {
			return from, 0, outcome.Fail(outcome.CodeInvalid, "", "hours is a whole number from 1 to %d", workloadMaxHours)
		}
	}
	return from.UTC(), hours, nil
}

// planned gives the open Tasks that are due before an instant.
func (f fenced) planned(ctx context.Context, before time.Time) ([][]byte, error) {
	q, _, issues := search.Parse("Task", url.Values{
		"status":   {"draft,ready,in-progress,on-hold"},
		"due-date": {"lt" + before.Format(time.RFC3339)},
		"_count":   {strconv.Itoa(workloadPage)},
	}, search.Options{})
	if outcome.HasErrors(issues) {
		return nil, outcome.Reject("search", issues)
	}
	var tasks [][]byte
	for {
		page, err := f.search(ctx, q)
		if err != nil {
			return nil, err
		}
		for _, r := range page.Matches {
			tasks = append(tasks, r.Body)
		}
		if q.After = page.Next; q.After == nil {
			return tasks, nil
		}
	}
}
