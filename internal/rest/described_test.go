package rest_test

import (
	"net/http"
	"net/url"
	"strings"
	"sync"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/getkin/kin-openapi/openapi3filter"
	"github.com/getkin/kin-openapi/routers"
	"github.com/getkin/kin-openapi/routers/legacy"
	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/rest"
)

// description is api/openapi.yaml as a router.
var description = sync.OnceValues(func() (routers.Router, error) {
	doc, err := openapi3.NewLoader().LoadFromFile("../../api/openapi.yaml")
	if err != nil {
		return nil, err
	}
	return legacy.NewRouter(doc)
})

// described holds an answer to api/openapi.yaml: its status is one that the operation has,
// its type and headers are those of the status. What is at no described address is no
// success. The bodies are held to the schemas where they are real ones: these tests store
// what is no whole resource.
func described(t *testing.T, r *http.Request, response *http.Response, body []byte) {
	t.Helper()
	router, err := description()
	require.NoError(t, err)
	asked := *r
	asked.URL = &url.URL{Path: "/" + strings.Trim(r.URL.Path, "/")}
	if asked.Method == http.MethodHead {
		asked.Method = http.MethodGet
	}
	route, params, err := router.FindRoute(&asked)
	if nothing := params["id"] == "" && strings.Contains(routeOf(route), "{id}"); err != nil || nothing {
		require.True(t, response.StatusCode >= 400 || r.Method == http.MethodOptions, "%s %s is served and not described", r.Method, r.URL.Path)
		return
	}
	err = openapi3filter.ValidateResponse(t.Context(), &openapi3filter.ResponseValidationInput{
		RequestValidationInput: &openapi3filter.RequestValidationInput{Request: &asked, PathParams: params, Route: route},
		Status:                 response.StatusCode, Header: response.Header,
		Options: &openapi3filter.Options{IncludeResponseStatus: true, ExcludeResponseBody: true},
	})
	require.NoError(t, err, "%s %s: %s", r.Method, r.URL.Path, body)
	if len(body) > 0 {
		content := route.Operation.Responses.Status(response.StatusCode).Value.Content
		require.NotNil(t, content.Get(response.Header.Get("Content-Type")), "%s %s: %s", r.Method, r.URL.Path, body)
	}
}

func routeOf(r *routers.Route) string {
	if r == nil {
		return ""
	}
	return r.Path
}

// Every operation of the file answers, and no other method is served at its paths.
func TestEveryDescribedOperationAnswersAndNoOther(t *testing.T) {
	t.Parallel()
	w := newWorld(t, func(o *rest.Options) { o.Smart = &rest.Smart{TokenEndpoint: "https://issuer.example/token"} })
	doc, err := openapi3.NewLoader().LoadFromFile("../../api/openapi.yaml")
	require.NoError(t, err)
	for _, name := range search.Types() {
		w.put(resource(name, "x", 1, `{"resourceType":"`+name+`","id":"x"}`))
	}
	called := 0
	for path, item := range doc.Paths.Map() {
		resourceType, _, _ := strings.Cut(strings.TrimPrefix(path, "/fhir/"), "/")
		address := strings.NewReplacer("{id}", "x", "{version}", "1", "{name}", "api.md").Replace(path)
		for _, method := range []string{"GET", "POST", "PUT", "PATCH", "DELETE"} {
			o := item.GetOperation(method)
			body, contentType := sample(o, resourceType)
			headers := []string{"Content-Type: " + contentType}
			if o != nil && path == "/" {
				headers = append(headers, "Accept: text/html") // all others find nothing
			}
			a := w.send(method, address+"?"+needed(o), body, headers...)
			if o == nil {
				require.True(t, a.StatusCode >= 400 && a.StatusCode < 500, "%s %s is not in the file: %s", method, path, a.text)
				continue
			}
			called++
			require.Contains(t, []int{200, 201}, a.StatusCode, "%s %s: %s", method, path, a.text)
		}
	}
	require.Greater(t, called, 90)
}

// Every search parameter of the file is taken, in the URL and in a form.
func TestEveryDescribedSearchParameterIsTaken(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	doc, err := openapi3.NewLoader().LoadFromFile("../../api/openapi.yaml")
	require.NoError(t, err)
	values := map[string]string{
		"#/components/schemas/search-token": "a", "#/components/schemas/search-reference": "Patient/x",
		"#/components/schemas/search-date": "ge2025", "#/components/schemas/search-string": "a", "#/components/schemas/search-uri": "urn:a",
		"#/components/schemas/search-quantity": "gt5",
		"code-value-concept":                   "a$b", "code-value-date": "a$2025", "code-value-quantity": "a$gt5",
		"_elements": "meta,text", "_sort": "_id,-_lastUpdated",
	}
	tried := 0
	for path, item := range doc.Paths.Map() {
		if item.Get == nil || !strings.HasPrefix(item.Get.OperationID, "search") {
			continue
		}
		form := doc.Paths.Value(path + "/_search").Post.RequestBody.Value.Content["application/x-www-form-urlencoded"].Schema.Value
		for _, p := range item.Get.Parameters {
			if p.Value.In != "query" || p.Value.Name == "_cursor" || p.Value.Name == "_format" {
				continue
			}
			tried++
			value := values[p.Value.Schema.Ref] + values[p.Value.Name]
			switch resourceType := path[strings.LastIndexByte(path, '/')+1:]; p.Value.Name {
			case "_include":
				value = search.IncludesOf(resourceType)[0]
			case "_revinclude":
				value = search.RevIncludesOf(resourceType)[0]
			}
			if enum := p.Value.Schema.Value.Enum; len(enum) > 0 {
				value = enum[len(enum)-1].(string)
			} else if value == "" {
				value = "1"
			}
			query := url.QueryEscape(p.Value.Name) + "=" + url.QueryEscape(value)
			require.Equal(t, 200, w.get(path+"?"+query).StatusCode, query)
			require.NotNil(t, form.Properties[p.Value.Name], "%s %s is in the URL alone", path, p.Value.Name)
			require.Equal(t, 200, w.send("POST", path+"/_search", query, "Content-Type: application/x-www-form-urlencoded").StatusCode)
		}
	}
	require.Greater(t, tried, 300)
}

// sample is a body that an operation takes, as far as the edge looks at it.
func sample(o *openapi3.Operation, resourceType string) (body, contentType string) {
	if o == nil || o.RequestBody == nil {
		return "", "application/fhir+json"
	}
	for contentType = range o.RequestBody.Value.Content {
		break
	}
	switch {
	case contentType == "application/json-patch+json":
		return `[{"op":"test","path":"/id","value":"x"}]`, contentType
	case contentType == "application/x-www-form-urlencoded":
		return "_count=1", contentType
	case o.OperationID == "transaction":
		return bundleOf("batch"), contentType
	case o.OperationID == "processMessage":
		return `{"resourceType":"Bundle"}`, contentType
	case o.OperationID == "applyPlanDefinitionByID":
		return `{"resourceType":"Parameters"}`, contentType
	case strings.HasPrefix(o.OperationID, "create"):
		return `{"resourceType":"` + resourceType + `"}`, contentType
	}
	return `{"resourceType":"` + resourceType + `","id":"x"}`, contentType
}

// needed are the parameters of the query without which an operation refuses.
func needed(o *openapi3.Operation) string {
	query := url.Values{}
	if o != nil {
		for _, p := range o.Parameters {
			if p.Value.In == "query" && p.Value.Required {
				query.Set(p.Value.Name, "2026-01-01T00:00:00Z")
			}
		}
	}
	return query.Encode()
}
