package openapi

import (
	"fmt"
	"strings"

	"github.com/getkin/kin-openapi/openapi3"

	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/rest"
)

const idPattern = `^[A-Za-z0-9.\-]{1,64}$`

// parameters are those that more than one operation has.
func parameters() openapi3.ParametersMap {
	out := openapi3.ParametersMap{}
	for _, p := range search.Params(search.Types()[0]) {
		if strings.HasPrefix(p.Code, "_") { // every type has it
			out[p.Code] = &openapi3.ParameterRef{Value: searchParameter(p)}
		}
	}
	for name, p := range map[string]*openapi3.Parameter{
		"id":      openapi3.NewPathParameter("id").WithDescription("The resource's id.").WithSchema(patterned(idPattern)),
		"name":    openapi3.NewPathParameter("name").WithDescription("The file's name, such as api.md.").WithSchema(openapi3.NewStringSchema()),
		"version": openapi3.NewPathParameter("version").WithDescription("The version's number.").WithSchema(patterned("^[1-9][0-9]{0,17}$")),
		"_format": openapi3.NewQueryParameter("_format").WithDescription("Instead of Accept; JSON alone is served.").
			WithSchema(oneOf("json", "application/json", fhirJSON)),
		"_cursor": openapi3.NewQueryParameter("_cursor").WithDescription("The place of a page, from a link: it stands alone, for the filters are in it.").
			WithSchema(openapi3.NewStringSchema()),
		"X-Request-Id": openapi3.NewHeaderParameter("X-Request-Id").WithDescription("Sent back, and in errors and the log, if it is an R4 id.").
			WithSchema(patterned(idPattern)),
		"If-None-Match": openapi3.NewHeaderParameter("If-None-Match").WithDescription("304 when this version is the current one.").
			WithSchema(patterned(`^(\*|(W/)?"[A-Za-z0-9.\-]+")$`)),
		"If-Modified-Since": openapi3.NewHeaderParameter("If-Modified-Since").WithDescription("304 when nothing changed since; If-None-Match comes first.").
			WithSchema(openapi3.NewStringSchema()),
		"_since": openapi3.NewQueryParameter("_since").WithDescription("Versions of this instant or later.").
			WithSchema(openapi3.NewDateTimeSchema()),
		"_versions": openapi3.NewQueryParameter("_count").WithDescription("The most versions on a page.").
			WithSchema(openapi3.NewIntegerSchema().WithMin(1)),
		"If-Match": openapi3.NewHeaderParameter("If-Match").WithDescription("412 when another version is current. A claim of a Task must have it.").
			WithSchema(patterned(`^W/"[0-9]{1,18}"$`)),
		"If-None-Exist": openapi3.NewHeaderParameter("If-None-Exist").WithDescription("A search; a repeat is answered with the first one.").
			WithSchema(openapi3.NewStringSchema()),
		"return": openapi3.NewHeaderParameter("Prefer").WithDescription("What the answer's body is: the resource (default), nothing, or the warnings.").
			WithSchema(oneOf("return=representation", "return=minimal", "return=OperationOutcome")),
		"handling": openapi3.NewHeaderParameter("Prefer").WithDescription("What becomes of a parameter that is not served: refused (default), or left out and told.").
			WithSchema(oneOf("handling=strict", "handling=lenient")),
	} {
		out[name] = &openapi3.ParameterRef{Value: p}
	}
	for name, p := range resultParameters() {
		out[name] = &openapi3.ParameterRef{Value: p}
	}
	return out
}

func patterned(pattern string) *openapi3.Schema {
	return openapi3.NewStringSchema().WithPattern(pattern)
}

// requestParameters are those of a route.
func requestParameters(r rest.Route) openapi3.Parameters {
	var out openapi3.Parameters
	shared := func(names ...string) {
		for _, name := range names {
			out = append(out, &openapi3.ParameterRef{Ref: "#/components/parameters/" + name})
		}
	}
	for part := range strings.SplitSeq(r.Path, "/") {
		if name, ok := strings.CutPrefix(part, ":"); ok {
			shared(name)
		}
	}
	if strings.HasPrefix(r.Path, "/fhir") && r.Gives != "application/json" {
		shared("_format")
	}
	for _, p := range r.Query {
		out = append(out, &openapi3.ParameterRef{Value: queryParameter(p)})
	}
	switch r.Interaction {
	case "read", "vread":
		shared("If-None-Match")
		out = append(out, parts(r.Type, "true", "text", "data", "false")...)
		shared("If-Modified-Since")
	case "capabilities":
		shared("If-None-Match")
	case "history-instance", "history-type":
		shared("_cursor", "_since", "_versions")
	case "create":
		shared("If-None-Exist", "return")
	case "update", "patch":
		shared("If-Match", "return")
	case "search-type":
		shared("handling")
		if r.Takes == "" {
			shared("_count", "_cursor", "_total")
			out = append(out, parts(r.Type, searchSummaries()...)...)
			out = append(out, searchParameters(r.Type)...)
		}
	}
	shared("X-Request-Id")
	return out
}

// queryParameter describes a parameter of an operation.
func queryParameter(p rest.Parameter) *openapi3.Parameter {
	out := openapi3.NewQueryParameter(p.Name).WithDescription(p.Documentation).WithRequired(p.Required)
	out.Schema = refTo(p.Type)
	if p.Only != "" {
		out.WithSchema(oneOf(p.Only))
	}
	if p.Least != 0 || p.Most != 0 {
		out.WithSchema(openapi3.NewIntegerSchema().WithMin(float64(p.Least)).WithMax(float64(p.Most)))
	}
	return out
}

// searchParameters are those of a type. A repeated one is "and", a comma in it "or".
func searchParameters(resourceType string) openapi3.Parameters {
	var out openapi3.Parameters
	for _, p := range search.Params(resourceType) {
		if strings.HasPrefix(p.Code, "_") {
			out = append(out, &openapi3.ParameterRef{Ref: "#/components/parameters/" + p.Code})
			continue
		}
		out = append(out, &openapi3.ParameterRef{Value: searchParameter(p)})
	}
	for _, name := range []string{"_sort", "_include", "_revinclude"} {
		if schema := joinsOf(resourceType)[name]; schema != nil {
			out = append(out, &openapi3.ParameterRef{Value: openapi3.NewQueryParameter(name).WithDescription(about(name)).WithSchema(schema)})
		}
	}
	return out
}

// parts are the parameters that ask for a part of a resource.
func parts(resourceType string, summaries ...any) openapi3.Parameters {
	summary := openapi3.NewQueryParameter("_summary").WithDescription(about("_summary")).WithSchema(oneOf(summaries...))
	elements := openapi3.NewQueryParameter("_elements").WithDescription(about("_elements")).WithSchema(elementsOf(resourceType))
	return openapi3.Parameters{{Value: summary}, {Value: elements}}
}

func searchSummaries() []any { return []any{"true", "text", "data", "count", "false"} }

// elementsOf is a list of elements at the root of a type, with a comma between.
func elementsOf(resourceType string) *openapi3.Schema {
	var names []string
	for _, e := range definitions.R4().Type(resourceType).Shape.Elements {
		names = append(names, e.Name)
	}
	one := "(" + strings.Join(names, "|") + ")"
	return patterned("^" + one + "(," + one + ")*$")
}

// joinsOf are the parameters that order the matches of a type and add to them.
func joinsOf(resourceType string) map[string]*openapi3.Schema {
	out := map[string]*openapi3.Schema{"_sort": sortOf(resourceType)}
	for name, joins := range map[string][]string{"_include": search.IncludesOf(resourceType), "_revinclude": search.RevIncludesOf(resourceType)} {
		if len(joins) > 0 {
			values := openapi3.NewArraySchema().WithItems(patterned("^(" + strings.Join(joins, "|") + ")(:[A-Za-z]+)?$"))
			out[name] = values
		}
	}
	return out
}

func searchParameter(p search.Param) *openapi3.Parameter {
	out := openapi3.NewQueryParameter(p.Code).WithDescription(p.Definition)
	out.Schema = valuesOf(p)
	return out
}

func valuesOf(p search.Param) *openapi3.SchemaRef { return refTo("search-" + p.Kind.String()) }

// about describes a parameter that every search has.
func about(name string) string {
	switch name {
	case "_sort":
		return fmt.Sprintf("Up to %d parameters, _lastUpdated or _id, with a comma between; - for the reverse.", search.MaximumSorts)
	case "_include":
		return "What the matches refer to is given, too."
	case "_revinclude":
		return "What refers to the matches is given, too."
	case "_summary":
		return "How much of each resource is given; count gives the total alone."
	case "_elements":
		return "Elements at the root that are given, with those that are mandatory; not together with _summary."
	}
	return ""
}

func sortOf(resourceType string) *openapi3.Schema {
	var keys []string
	for _, p := range search.Params(resourceType) {
		if p.Kind != search.Composite {
			keys = append(keys, p.Code)
		}
	}
	one := "-?(" + strings.Join(keys, "|") + ")"
	return patterned(fmt.Sprintf("^%s(,%s){0,%d}$", one, one, search.MaximumSorts-1))
}

// formOf is a search as the body of a web form: the same parameters.
func formOf(resourceType string) *openapi3.SchemaRef {
	form := openapi3.NewObjectSchema().WithProperty("_summary", oneOf(searchSummaries()...)).WithProperty("_elements", elementsOf(resourceType))
	for name, schema := range joinsOf(resourceType) {
		form.WithProperty(name, schema)
	}
	for name, p := range resultParameters() {
		form.Properties[name] = p.Schema
	}
	for _, p := range search.Params(resourceType) {
		form.Properties[p.Code] = valuesOf(p)
	}
	return openapi3.NewSchemaRef("", form.WithoutAdditionalProperties())
}

// resultParameters say what of the matches is given, for every type alike.
func resultParameters() map[string]*openapi3.Parameter {
	count := fmt.Sprintf("The most matches on a page: default %d, at most %d; 0 gives the total alone.", search.DefaultCount, search.MaximumCount)
	return map[string]*openapi3.Parameter{
		"_count": openapi3.NewQueryParameter("_count").WithDescription(count).WithSchema(openapi3.NewIntegerSchema().WithMin(0)),
		"_total": openapi3.NewQueryParameter("_total").WithDescription("none leaves the total out; else it is accurate.").WithSchema(oneOf("accurate", "estimate", "none")),
	}
}

func oneOf(values ...any) *openapi3.Schema { return openapi3.NewStringSchema().WithEnum(values...) }
