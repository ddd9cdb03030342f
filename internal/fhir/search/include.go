package search

import (
	"net/url"
	"slices"
	"strings"

	"fhirsvc/internal/fhir/outcome"
)

// Include asks for what belongs to the matches of a search, R4 search.html#include: the
// resources that they refer to, or (Reverse) those that refer to them.
type Include struct {
	// Source is the type of the resources that hold the reference, Param its parameter.
	Source, Param string
	// Targets are the types of what is referred to, in alphabetical order, at least one.
	Targets []string
	// Named tells that the client named the one target, or that there is but one.
	Named   bool
	Reverse bool
	// Iterate holds it to what was included, too, and not to the matches alone.
	Iterate bool
}

// String is the include as a query states it, without a value of any resource.
func (i Include) String() string {
	name := "_include"
	if i.Reverse {
		name = "_revinclude"
	}
	if i.Iterate {
		name += ":iterate"
	}
	return name + "=" + i.Source + ":" + i.Param
}

// IsInclude reports whether ParseIncludes reads the parameter of this name.
func IsInclude(name string) bool {
	bare := strings.TrimSuffix(name, ":iterate")
	return bare == "_include" || bare == "_revinclude"
}

// ParseIncludes reads "_include" and "_revinclude", each also with ":iterate", for a
// search of one type; other parameters are not its business. The applied ones are those
// that the includes stand for. Issues of error level mean that there are none: invalid for
// what can't be read and what could never lead to anything, not-supported for a parameter
// that is not a served reference, and for "*". The latter is left out under lenient
// handling.
func ParseIncludes(resourceType string, params url.Values, o Options) ([]Include, url.Values, []outcome.Issue) {
	p := parser{options: o, query: Query{Type: resourceType}, applied: url.Values{}}
	var out []Include
	for _, name := range []string{"_include", "_include:iterate", "_revinclude", "_revinclude:iterate"} {
		for _, value := range params[name] {
			i := Include{Reverse: strings.HasPrefix(name, "_rev"), Iterate: strings.HasSuffix(name, ":iterate")}
			if p.include(&i, name, value) && !slices.ContainsFunc(out, i.equals) {
				out = append(out, i)
				p.applied.Add(name, value)
			}
		}
	}
	if outcome.HasErrors(p.issues) {
		return nil, nil, p.issues
	}
	return out, p.applied, p.issues
}

func (i Include) equals(o Include) bool {
	return i.String() == o.String() && slices.Equal(i.Targets, o.Targets)
}

// include reads Type:param[:TargetType].
func (p *parser) include(i *Include, name, value string) bool {
	parts := strings.Split(value, ":")
	if len(parts) < 2 || len(parts) > 3 || !isTypeName(parts[0]) {
		if value == "*" {
			p.notServed(value, "%s=* is not served: name each reference as Type:parameter", name)
			return false
		}
		p.refuse(outcome.CodeInvalid, value, "%s is written Type:parameter or Type:parameter:TargetType", name)
		return false
	}
	i.Source, i.Param = parts[0], parts[1]
	param, ok := find(i.Source, i.Param)
	if !ok || param.Kind != Reference || len(param.Targets) == 0 {
		p.notServed(value, "%s: %q is not a reference of %q to anything that is served", name, clip(i.Param), clip(i.Source))
		return false
	}
	i.Targets = param.Targets
	if len(parts) == 3 {
		if !slices.Contains(param.Targets, parts[2]) {
			p.notServed(value, "%s: %s of %s does not refer to %q, or it is not served", name, i.Param, i.Source, clip(parts[2]))
			return false
		}
		i.Targets = parts[2:]
	}
	i.Named = len(i.Targets) == 1
	if i.Iterate || !i.Reverse && i.Source == p.query.Type || i.Reverse && slices.Contains(i.Targets, p.query.Type) {
		return true
	}
	p.refuse(outcome.CodeInvalid, value, "%s of a %s is not about what is searched for, %s; %s:iterate is about what was included",
		name, i.Source, p.query.Type, name)
	return false
}

// notServed records a part of a query that lenient handling leaves out.
func (p *parser) notServed(value, format string, args ...any) {
	p.refuse(outcome.CodeNotSupported, value, format, args...)
	if p.options.Handling == Lenient {
		last := &p.issues[len(p.issues)-1]
		last.Severity, last.Details = outcome.SeverityWarning, last.Details+"; it was left out"
	}
}

// IncludesOf gives the parameters of a type that lead to a served type, as "Type:param"
// for "_include", in order of code.
func IncludesOf(resourceType string) []string {
	var out []string
	for _, p := range Params(resourceType) {
		if len(p.Targets) > 0 {
			out = append(out, resourceType+":"+p.Code)
		}
	}
	return out
}

// RevIncludesOf gives the parameters that lead to a type, as "Type:param" for
// "_revinclude", in order of type and code.
func RevIncludesOf(resourceType string) []string {
	var out []string
	for _, source := range Types() {
		for _, p := range Params(source) {
			if slices.Contains(p.Targets, resourceType) {
				out = append(out, source+":"+p.Code)
			}
		}
	}
	return out
}
