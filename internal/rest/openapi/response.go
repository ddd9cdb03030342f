package openapi

import (
	"net/http"
	"slices"
	"strings"

	"github.com/getkin/kin-openapi/openapi3"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/rest"
)

// errorsOf gives the statuses, in order, that a route can answer with when it is no success.
func errorsOf(r rest.Route) []int {
	const always, failed = http.StatusUnauthorized, http.StatusInternalServerError
	if !strings.HasPrefix(r.Path, "/fhir") {
		switch r.Path {
		case "/readyz":
			return []int{http.StatusServiceUnavailable}
		case "/": // to all but browsers
			return []int{always, http.StatusNotFound, http.StatusTooManyRequests, failed}
		case "/docs/:name":
			return []int{http.StatusNotFound}
		}
		return nil
	}
	out := []int{always, failed}
	if r.OnlySmart {
		return []int{always, http.StatusNotFound, failed}
	}
	out = append(out, http.StatusNotAcceptable)
	if r.Open {
		return slices.Sorted(slices.Values(out))
	}
	out = append(out, http.StatusBadRequest, http.StatusForbidden, http.StatusTooManyRequests,
		http.StatusServiceUnavailable, http.StatusGatewayTimeout)
	if strings.Contains(r.Path, ":id") {
		out = append(out, http.StatusNotFound)
	}
	if r.Takes != "" {
		out = append(out, http.StatusRequestEntityTooLarge, http.StatusUnsupportedMediaType)
	}
	if r.Interaction == "transaction" {
		out = append(out, http.StatusMethodNotAllowed) // of an entry
	}
	if changes(r) {
		out = append(out, http.StatusNotFound, http.StatusConflict, http.StatusPreconditionFailed, http.StatusUnprocessableEntity)
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// refusals are the answers that are no success: each an OperationOutcome whose codes are
// those of the service's table.
func refusals(routes []rest.Route) openapi3.ResponseBodies {
	table := rest.Statuses()
	out := openapi3.ResponseBodies{}
	for _, r := range routes {
		for _, code := range errorsOf(r) {
			out[nameOf(code)] = refusal(code, table[code])
		}
	}
	return out
}

func refusal(code int, issues []outcome.Code) *openapi3.ResponseRef {
	kinds := make([]string, len(issues))
	for i, kind := range issues {
		kinds[i] = "`" + string(kind) + "`"
	}
	about := http.StatusText(code) + ": issue.code is " + strings.Join(kinds, ", ") + "."
	out := &openapi3.Response{
		Description: &about, Headers: openapi3.Headers{"X-Request-Id": header("X-Request-Id")},
		Content: openapi3.NewContentWithSchemaRef(refTo("OperationOutcome"), []string{fhirJSON}),
	}
	switch code {
	case http.StatusServiceUnavailable, http.StatusTooManyRequests:
		out.Headers["Retry-After"] = header("Retry-After")
	case http.StatusUnauthorized:
		out.Headers["WWW-Authenticate"] = header("WWW-Authenticate")
	}
	return &openapi3.ResponseRef{Value: out}
}

// nameOf is a status as the name of a component: NotFound.
func nameOf(code int) string { return strings.ReplaceAll(http.StatusText(code), " ", "") }

// answerHeaders are those of a success.
func answerHeaders(r rest.Route, code int) openapi3.Headers {
	out := openapi3.Headers{"X-Request-Id": header("X-Request-Id")}
	switch r.Interaction {
	case "create":
		out["Location"] = header("Location")
		fallthrough
	case "read", "vread", "update", "patch":
		out["ETag"] = header("ETag")
		out["Last-Modified"] = header("Last-Modified")
	case "capabilities":
		out["ETag"] = header("ETag")
	}
	return out
}

func header(name string) *openapi3.HeaderRef {
	return &openapi3.HeaderRef{Ref: "#/components/headers/" + name}
}

// headers are those of answers.
func headers() openapi3.Headers {
	out := openapi3.Headers{}
	for name, h := range map[string]struct{ about, pattern string }{
		"ETag":             {"The version, as a weak entity tag.", `^W/"[A-Za-z0-9.-]+"$`},
		"Last-Modified":    {"When the version was made, as an HTTP date.", ""},
		"Location":         {"The address of the version that was made, or of the first one.", "/_history/[0-9]+$"},
		"Retry-After":      {"After how many seconds to try again.", "^[0-9]+$"},
		"WWW-Authenticate": {"The challenge of RFC 6750.", ""},
		"X-Request-Id":     {"The request's id: the client's if it is an R4 id, else a new one.", idPattern},
	} {
		schema := openapi3.NewStringSchema()
		schema.Pattern = h.pattern
		out[name] = &openapi3.HeaderRef{Value: &openapi3.Header{Parameter: openapi3.Parameter{
			Description: h.about, Schema: openapi3.NewSchemaRef("", schema),
		}}}
	}
	return out
}
