package search

import (
	"sort"
	"strings"
	"sync"

	"fhirsvc/internal/fhir/definitions"
)

// Param is a search parameter of one resource type.
type Param struct {
	Code       string
	Kind       Kind
	Expression string // published expression, as far as it concerns the type
	Definition string // canonical URL of the SearchParameter
	Target     string // Reference: the only target type, "" when there are several
	System     string // Token on an element of type code: the system of its codes
	// Targets are, of a Reference, the searchable types that it may lead to, in
	// alphabetical order; those of its published definition.
	Targets []string
	// Parts are, of a Composite, the codes of the parameters that its values are of.
	Parts []string

	paths []path
}

// table holds the parameters by type, in order of code.
var table = sync.OnceValue(func() map[string][]Param {
	tables, extra := rows(), own()
	out := make(map[string][]Param, len(tables))
	for resourceType, list := range tables {
		params := paramsOf(resourceType, common(), publishedBase)
		params = append(params, paramsOf(resourceType, list, publishedBase)...)
		params = append(params, paramsOf(resourceType, extra[resourceType], ownBase)...)
		sort.Slice(params, func(i, j int) bool { return params[i].Code < params[j].Code })
		out[resourceType] = params
	}
	published := map[string]definitions.SearchParameter{}
	for _, p := range definitions.R4().SearchParameters() {
		published[p.URL] = p
	}
	for _, params := range out {
		for i := range params {
			p := &params[i]
			p.Targets = targetsOf(*p, published[p.Definition], out)
			p.Parts = partsOf(published[p.Definition], params)
		}
	}
	return out
})

// targetsOf gives the searchable types that a reference leads to by its definition.
func targetsOf(p Param, published definitions.SearchParameter, tables map[string][]Param) []string {
	targets := published.Targets
	if p.Target != "" {
		targets = []string{p.Target}
	}
	var out []string
	for _, t := range targets {
		if tables[t] != nil && p.Kind == Reference {
			out = append(out, t)
		}
	}
	sort.Strings(out)
	return out
}

// partsOf gives the parameters of the type that a composite is made of.
func partsOf(published definitions.SearchParameter, params []Param) []string {
	var out []string
	for _, c := range published.Components {
		for _, p := range params {
			if p.Definition == c.Definition {
				out = append(out, p.Code)
			}
		}
	}
	return out
}

func paramsOf(resourceType string, list []row, base string) []Param {
	out := make([]Param, 0, len(list))
	for _, r := range list {
		p := Param{Code: r.code, Kind: r.kind, Expression: r.expression, Definition: base + r.definition}
		switch r.kind {
		case Reference:
			p.Target = r.of
		case Token:
			p.System = r.of
		case Date, String, URI, Quantity:
		case Composite: // it has no values of its own
			out = append(out, p)
			continue
		}
		for alternative := range strings.SplitSeq(r.expression, " | ") {
			p.paths = append(p.paths, compile(alternative))
		}
		out = append(out, p)
	}
	return out
}

// Types gives the resource types that can be searched, in alphabetical order.
func Types() []string {
	out := make([]string, 0, len(table()))
	for t := range table() {
		out = append(out, t)
	}
	sort.Strings(out)
	return out
}

// Params gives the parameters of a type in order of code, empty for a type that can't
// be searched. The slice must not be changed.
func Params(resourceType string) []Param { return table()[resourceType] }

// find gives the parameter of this code; ok is false when the type has none.
func find(resourceType, code string) (Param, bool) {
	for _, p := range Params(resourceType) {
		if p.Code == code {
			return p, true
		}
	}
	return Param{}, false
}
