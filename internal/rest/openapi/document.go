package openapi

import (
	"bytes"
	"net/http"
	"slices"
	"strings"

	"github.com/getkin/kin-openapi/openapi3"
	"go.yaml.in/yaml/v4"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/rest"
)

// served is the tag of what is of no type.
const servedTag = "service"

// Document describes the routes. Every operation has its parameters, bodies and headers,
// and each status that it can answer with.
func Document(routes []rest.Route) *openapi3.T {
	doc := &openapi3.T{
		OpenAPI: "3.1.0",
		Info:    info(),
		Servers: openapi3.Servers{{URL: "/", Description: "Where the service listens; FHIR is below /fhir."}},
		Paths:   openapi3.NewPaths(),
		Components: &openapi3.Components{
			Schemas: newSchemas(resourceTypes(routes)), Responses: refusals(routes), Headers: headers(), Parameters: parameters(),
			SecuritySchemes: openapi3.SecuritySchemes{bearer: &openapi3.SecuritySchemeRef{Value: &openapi3.SecurityScheme{
				Type: "http", Scheme: "bearer", BearerFormat: "JWT",
				Description: "SMART App Launch 2.2: a JWT with scopes, of the authorization server that " +
					"/fhir/.well-known/smart-configuration names. A service that is set to ask nobody (the sandbox) needs none.",
			}}},
		},
	}
	for _, r := range routes {
		path := r.Address()
		item := doc.Paths.Value(path)
		if item == nil {
			item = &openapi3.PathItem{}
			doc.Paths.Set(path, item)
		}
		item.SetOperation(r.Methods[0], operation(r))
		if name := tag(r); doc.Tags.Get(name) == nil {
			doc.Tags = append(doc.Tags, &openapi3.Tag{Name: name, Description: aboutTag(name)})
		}
	}
	return doc
}

func info() *openapi3.Info {
	return &openapi3.Info{
		Title: "fhirsvc", Version: fhir.Published,
		Summary: "Stepwise release of a radial compression band: plans, tasks and findings, in FHIR R4 (4.0.1)",
		Description: strings.Join([]string{
			"Made from the table of addresses and the table of search parameters; docs/api.md explains what stands here.",
			"It schedules and documents. It never decides treatment: local policy and the responsible clinician do.",
			"`HEAD` works wherever `GET` does. Every answer that is not a success is an OperationOutcome.",
			"The schemas give the members of R4's types and what must be there; elements defined in place are left open, and " +
				"invariants, terminology and the rules of the plan are not in them: the service checks those. " +
				"Times carry an offset; volumes are quantities in UCUM mL.",
		}, "\n\n"),
		License: &openapi3.License{Name: "Apache 2.0", Identifier: "Apache-2.0"},
	}
}

// YAML gives the document as text, what it is about first.
func YAML(doc *openapi3.T) ([]byte, error) {
	plain, err := doc.MarshalYAML()
	if err != nil {
		return nil, err
	}
	var top yaml.Node
	if err := top.Encode(plain); err != nil {
		return nil, err
	}
	order := []string{"openapi", "info", "servers", "tags", "paths", "components"}
	members := slices.Collect(slices.Chunk(top.Content, 2))
	slices.SortStableFunc(members, func(a, b []*yaml.Node) int {
		return slices.Index(order, a[0].Value) - slices.Index(order, b[0].Value)
	})
	top.Content = slices.Concat(members...)
	var out bytes.Buffer
	e := yaml.NewEncoder(&out)
	e.SetIndent(2)
	if err := e.Encode(&top); err != nil {
		return nil, err
	}
	return out.Bytes(), e.Close()
}

func tag(r rest.Route) string {
	if r.Type == "" {
		return servedTag
	}
	return r.Type
}

func aboutTag(name string) string {
	if name == servedTag {
		return "The service as a whole"
	}
	return "R4 " + name
}

// resourceTypes are those that stand in a body, in order.
func resourceTypes(routes []rest.Route) []string {
	types := []string{"OperationOutcome"}
	for _, r := range routes {
		for _, name := range []string{r.Takes, r.Gives} {
			if name != "" && !isMediaType(name) {
				types = append(types, name)
			}
		}
		if givesBinary(r) {
			types = append(types, "Binary")
		}
	}
	slices.Sort(types)
	return slices.Compact(types)
}

// isMediaType tells the media types of a route's bodies from the names of R4's types.
func isMediaType(name string) bool { return strings.Contains(name, "/") }

// givesBinary reports whether a route gives what is no resource, and as one to who takes
// resources alone.
func givesBinary(r rest.Route) bool { return r.Operation != "" && isMediaType(r.Gives) }

// changes reports whether a route changes something.
func changes(r rest.Route) bool {
	return r.Methods[0] != http.MethodGet && r.Interaction != "search-type"
}
