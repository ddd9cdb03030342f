package openapi

import (
	"net/http"
	"path"
	"strconv"
	"strings"

	"github.com/getkin/kin-openapi/openapi3"

	"fhirsvc/api"
	"fhirsvc/internal/rest"
)

const (
	bearer    = "bearer"
	fhirJSON  = "application/fhir+json"
	plainText = "text/plain"
)

// operation describes a route.
func operation(r rest.Route) *openapi3.Operation {
	o := &openapi3.Operation{
		OperationID: operationID(r), Summary: r.Summary, Tags: []string{tag(r)},
		Parameters: requestParameters(r), RequestBody: requestBody(r), Responses: responses(r),
		Security: &openapi3.SecurityRequirements{{bearer: []string{}}},
	}
	if r.Open {
		o.Security = &openapi3.SecurityRequirements{}
	}
	if r.Definition != "" {
		o.Description = "The operation " + r.Definition + "."
	}
	return o
}

// operationID is unique and says what is done: readTask, searchTaskByForm, workloadTask.
func operationID(r rest.Route) string {
	name := r.Interaction
	switch {
	case r.Operation != "":
		name = r.Operation
	case name == "":
		if name = strings.TrimPrefix(strings.TrimPrefix(r.Path, "/fhir"), "/"); name == "" {
			name = "front"
		}
	}
	name = strings.TrimSuffix(strings.TrimSuffix(name, "-instance"), "-type")
	words := strings.FieldsFunc(name, func(c rune) bool { return strings.ContainsRune("-/.:", c) })
	for i, w := range words[1:] {
		words[i+1] = strings.ToUpper(w[:1]) + w[1:]
	}
	id := strings.Join(words, "") + r.Type
	switch {
	case strings.HasSuffix(r.Path, "/_search"):
		id += "ByForm"
	case r.Interaction == "history-type":
		id += "s" // historyTasks
	}
	if r.Operation != "" && strings.Contains(r.Path, "/:id/") {
		id += "ByID" // the same may be at the type
	}
	return id
}

func requestBody(r rest.Route) *openapi3.RequestBodyRef {
	if r.Takes == "" {
		return nil
	}
	body := &openapi3.RequestBody{Required: true, Content: openapi3.Content{}}
	switch r.Takes {
	case "application/x-www-form-urlencoded":
		body.Content[r.Takes] = &openapi3.MediaType{Schema: formOf(r.Type)}
		body.Required = false
	case "application/json-patch+json":
		body.Content[r.Takes] = &openapi3.MediaType{Schema: refTo("JSONPatch")}
	default:
		body.Content[fhirJSON] = &openapi3.MediaType{Schema: refTo(r.Takes), Examples: examplesOf(r)}
	}
	return &openapi3.RequestBodyRef{Value: body}
}

// examplesOf gives the invented resources under api that such a request may hold.
func examplesOf(r rest.Route) openapi3.Examples {
	if r.Interaction != "create" && r.Operation != "process-message" {
		return nil
	}
	for file, body := range api.Examples() {
		if name := path.Base(file); strings.HasPrefix(name, r.Takes+"-") {
			id := strings.TrimSuffix(strings.TrimPrefix(name, r.Takes+"-"), ".json")
			return openapi3.Examples{id: &openapi3.ExampleRef{Value: &openapi3.Example{Value: asWritten(body)}}}
		}
	}
	return nil
}

func responses(r rest.Route) *openapi3.Responses {
	out := openapi3.NewResponsesWithCapacity(0)
	for _, code := range successes(r) {
		out.Set(strconv.Itoa(code), &openapi3.ResponseRef{Value: success(r, code)})
	}
	for _, code := range errorsOf(r) {
		out.Set(strconv.Itoa(code), &openapi3.ResponseRef{Ref: "#/components/responses/" + nameOf(code)})
	}
	return out
}

func successes(r rest.Route) []int {
	switch r.Interaction {
	case "create":
		return []int{http.StatusOK, http.StatusCreated}
	case "read", "vread", "capabilities":
		return []int{http.StatusOK, http.StatusNotModified}
	}
	return []int{http.StatusOK}
}

func success(r rest.Route, code int) *openapi3.Response {
	about := map[int]string{
		http.StatusOK: "Done.", http.StatusCreated: "A new resource was made.", http.StatusNotModified: "Nothing changed since.",
	}[code]
	if code == http.StatusOK && r.Interaction == "create" {
		about = "A repeat: the first one."
	}
	out := &openapi3.Response{Description: &about, Headers: answerHeaders(r, code)}
	if code == http.StatusNotModified {
		return out
	}
	switch {
	case r.Gives == "":
		out.Content = openapi3.NewContentWithSchema(openapi3.NewStringSchema(), []string{plainText})
	case r.Gives == "application/json", r.Gives == "application/yaml":
		out.Content = openapi3.NewContentWithSchema(openapi3.NewObjectSchema(), []string{r.Gives})
	case givesBinary(r):
		out.Content = openapi3.NewContentWithSchema(openapi3.NewStringSchema(), []string{r.Gives})
		out.Content[fhirJSON] = openapi3.NewMediaType().WithSchemaRef(refTo("Binary"))
	case isMediaType(r.Gives):
		out.Content = openapi3.NewContentWithSchema(openapi3.NewStringSchema(), []string{r.Gives})
	case prefersReturn(r):
		out.Content = openapi3.NewContentWithSchemaRef(&openapi3.SchemaRef{Value: &openapi3.Schema{
			OneOf: openapi3.SchemaRefs{refTo(r.Gives), refTo("OperationOutcome")},
		}}, []string{fhirJSON})
	default:
		out.Content = openapi3.NewContentWithSchemaRef(refTo(r.Gives), []string{fhirJSON})
	}
	return out
}

// prefersReturn reports whether Prefer: return= decides what the body is.
func prefersReturn(r rest.Route) bool {
	switch r.Interaction {
	case "create", "update", "patch":
		return true
	}
	return false
}
