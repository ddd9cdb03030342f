package rest

import (
	"fmt"
	"net/url"
	"slices"
	"strings"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/fhir/subset"
	"fhirsvc/internal/store"
)

// viewOf reads _summary and _elements, which say how much of each resource is wanted
// (R4 search.html#summary), and takes out of the parameters what is not served. More are
// values of _summary that mean something beside those of a view.
func viewOf(resourceType string, params url.Values, h search.Handling, more ...string) (subset.View, []outcome.Issue) {
	modes := map[string]subset.Mode{"true": subset.Summary, "text": subset.Text, "data": subset.Data, "false": subset.Whole}
	var issues []outcome.Issue
	summary, elements := params["_summary"], params["_elements"]
	if summary != nil && (len(summary) > 1 || modes[summary[0]] == subset.Whole && !slices.Contains(append(more, "false"), summary[0])) {
		served := append([]string{"true", "text", "data", "false"}, more...)
		issues = append(issues, unserved(params, "_summary", h, "of _summary, %s are served", strings.Join(served, ", ")))
		summary = nil
	}
	var v subset.View
	if len(summary) == 1 {
		v.Mode = modes[summary[0]]
	}
	if elements == nil {
		return v, issues
	}
	if v.Mode != subset.Whole {
		return v, append(issues, outcome.Errorf(outcome.CodeInvalid, "", "_summary and _elements exclude each other"))
	}
	v.Mode = subset.Elements
	for _, list := range elements {
		v.Names = append(v.Names, strings.Split(list, ",")...)
	}
	for _, name := range v.Names {
		if !subset.Has(resourceType, name) {
			i := unserved(params, "_elements", h, "_elements takes elements at the root of %s, with a comma between, such as status", resourceType)
			i.Diagnostics = "received: " + fmt.Sprintf("%.80q", name)
			return subset.View{}, append(issues, i)
		}
	}
	return v, issues
}

// unserved takes a parameter out, and says so.
func unserved(params url.Values, name string, h search.Handling, format string, args ...any) outcome.Issue {
	delete(params, name)
	i := outcome.Errorf(outcome.CodeNotSupported, "", format, args...)
	if h == search.Lenient {
		i.Severity, i.Details = outcome.SeverityWarning, i.Details+"; it was left out"
	}
	return i
}

// seen narrows resources to a view. A list of elements is of the matches alone
// (R4 search.html#elements).
func seen(v subset.View, matches, included []store.Resource) error {
	lists := [][]store.Resource{matches, included}
	if v.Mode == subset.Elements {
		lists = lists[:1]
	}
	for _, list := range lists {
		for i := range list {
			part, err := partOf(v, list[i].Body)
			if err != nil {
				return err
			}
			list[i].Body = part
		}
	}
	return nil
}

func partOf(v subset.View, body []byte) ([]byte, error) {
	part, err := v.Of(body)
	if err != nil {
		return nil, &outcome.Error{Kind: outcome.CodeException, Op: "view", Err: err}
	}
	return part, nil
}

// viewed reads the parameters of a read: _format, _summary and _elements.
func viewed(resourceType string, query url.Values) (subset.View, error) {
	rest := url.Values{}
	for name, values := range query {
		switch name {
		case "_summary", "_elements", "_format":
			rest[name] = values
		default:
			return subset.View{}, outcome.Fail(outcome.CodeNotSupported, "", "no parameters but _format, _summary and _elements are served here")
		}
	}
	v, issues := viewOf(resourceType, rest, search.Strict)
	if outcome.HasErrors(issues) {
		return v, outcome.Reject("read", issues)
	}
	return v, nil
}
