package search

import (
	"slices"
	"strings"

	"fhirsvc/internal/fhir/outcome"
)

// chain reads "code.rest" and "code:Type.rest": what is asked of the resource that a
// reference leads to (R4 search.html#chaining).
func (p *parser) chain(resourceType, name, head, rest string, depth int) (reading, bool) {
	code, target, typed := strings.Cut(head, ":")
	param, ok := find(resourceType, code)
	if !ok || param.Kind != Reference || p.tooDeep(depth) {
		return nil, false
	}
	targets := param.Targets
	if typed {
		targets = nil
		if slices.Contains(param.Targets, target) {
			targets = []string{target}
		}
	}
	targets = slices.DeleteFunc(slices.Clone(targets), func(t string) bool { return !knows(t, rest) })
	if len(targets) > 1 {
		p.refuse(outcome.CodeInvalid, "", "the chain %q may lead to several types: name one, such as %s:%s.%s", clip(name), code, targets[0], clip(rest))
		p.failed = true
		return nil, false
	}
	if len(targets) == 0 {
		return nil, false
	}
	inner, known := p.asked(targets[0], rest, depth+1)
	if !known {
		return nil, false
	}
	return joined(inner, name, Join{Type: targets[0], Param: code}), true
}

// knows reports whether a type has the parameter that the rest of a chain begins with.
func knows(resourceType, rest string) bool {
	if strings.HasPrefix(rest, "_has:") {
		return true
	}
	code, _, _ := strings.Cut(rest, ".")
	code, _, _ = strings.Cut(code, ":")
	_, ok := find(resourceType, code)
	return ok
}

// has reads "_has:Type:reference:rest": what is asked of a resource that refers to the
// searched one (R4 search.html#has).
func (p *parser) has(resourceType, name string, depth int) (reading, bool) {
	parts := strings.SplitN(name, ":", 4)
	if len(parts) < 4 || p.tooDeep(depth) {
		return nil, false
	}
	source, code, rest := parts[1], parts[2], parts[3]
	param, ok := find(source, code)
	if !ok || !slices.Contains(param.Targets, resourceType) {
		return nil, false
	}
	inner, known := p.asked(source, rest, depth+1)
	if !known {
		return nil, false
	}
	return joined(inner, name, Join{Type: source, Param: code, Reverse: true}), true
}

func joined(inner reading, name string, j Join) reading {
	return func(value string) (Condition, bool) {
		c, ok := inner(value)
		own := j // of each value
		own.All = []Condition{c}
		return Condition{Param: name, Kind: Reference, Join: &own}, ok
	}
}

func (p *parser) tooDeep(depth int) bool {
	if depth < MaximumChain {
		return false
	}
	p.refuse(outcome.CodeTooCostly, "", "a chain has at most %d references", MaximumChain)
	p.failed = true
	return true
}

// composite reads values of several parameters with "$" between (R4
// search.html#composite). The composites that are served are of the resource as a whole, so
// one holds where each of its parts does.
func (p *parser) composite(resourceType string, param Param, modified bool, value string) (Condition, bool) {
	c := Condition{Param: param.Code, Kind: Composite}
	if modified {
		p.refuse(outcome.CodeNotSupported, "", "a composite such as %q has no modifiers", param.Code)
		return c, false
	}
	for _, alternative := range split(value, ',') {
		parts := split(alternative, '$')
		if len(parts) != len(param.Parts) {
			p.refuse(outcome.CodeInvalid, alternative, "the search parameter %q has the parts %s, with $ between", param.Code, strings.Join(param.Parts, " and "))
			return c, false
		}
		var all []Condition
		for i, part := range parts {
			of, _ := find(resourceType, param.Parts[i])
			term, fault := p.term(of.Kind, of.Target, false, part)
			if fault != "" {
				p.refuse(outcome.CodeInvalid, part, "the search parameter %q: %s", param.Code, fault)
				return c, false
			}
			all = append(all, Condition{Param: of.Code, Kind: of.Kind, Any: []Term{term}})
		}
		c.Either = append(c.Either, all)
	}
	return c, true
}
