package search

import (
	"sort"
	"strings"
	"sync"
)

// Param is a search parameter of one resource type.
type Param struct {
	Code       string
	Kind       Kind
	Expression string // published expression, as far as it concerns the type
	Definition string // canonical URL of the SearchParameter
	Target     string // Reference: the only target type, "" when there are several
	System     string // Token on an element of type code: the system of its codes

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
	return out
})

func paramsOf(resourceType string, list []row, base string) []Param {
	out := make([]Param, 0, len(list))
	for _, r := range list {
		p := Param{Code: r.code, Kind: r.kind, Expression: r.expression, Definition: base + r.definition}
		switch r.kind {
		case Reference:
			p.Target = r.of
		case Token:
			p.System = r.of
		case Date, String, URI:
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
