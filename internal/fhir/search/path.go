package search

import (
	"fmt"
	"strings"

	"fhirsvc/internal/fhir/tree"
)

// path is a compiled alternative of a published expression. The published expressions
// use a small part of FHIRPath: member steps, a cast of the whole to one type, and
// two filters. They are run as they stand, so that the table can't say one thing and
// the index do another.
type path []step

// step goes to an element, or (with an empty name) filters what is there.
type step struct {
	name   string
	as     string // the type of a choice, such as "CodeableConcept"; "" for any
	target string // filter: references to this type
	member string // filter: objects whose member says want
	want   string
}

// isChoice reports whether a name ends in a type of value[x] that the published expressions
// leave open. The list keeps Encounter.status from matching statusHistory.
func isChoice(ending string) bool {
	switch ending {
	case "DateTime", "Period", "Timing", "Instant", "Date", "String", "Age", "Range",
		"CodeableConcept", "Reference", "Uri", "Canonical":
		return true
	}
	return false
}

// compile reads one alternative. It panics on what it does not know: the table is ours.
func compile(expression string) path {
	as := ""
	if inner, ok := strings.CutPrefix(expression, "("); ok {
		expression, as, _ = strings.Cut(strings.TrimSuffix(inner, ")"), " as ")
		as = strings.ToUpper(as[:1]) + as[1:]
	}
	var out path
	_, rest, _ := strings.Cut(expression, ".")
	for rest != "" {
		var s step
		s, rest = nextStep(rest)
		out = append(out, s)
	}
	out[len(out)-1].as = as
	return out
}

func nextStep(rest string) (step, string) {
	filter, isFilter := strings.CutPrefix(rest, "where(")
	if !isFilter {
		name, rest, _ := strings.Cut(rest, ".")
		return step{name: name}, rest
	}
	if after, ok := strings.CutPrefix(filter, "resolve() is "); ok {
		target, rest, _ := strings.Cut(after, ")")
		return step{target: target}, strings.TrimPrefix(rest, ".")
	}
	member, after, ok := strings.Cut(filter, "='")
	want, rest, closed := strings.Cut(after, "')")
	if !ok || !closed {
		panic(fmt.Sprintf("search table: unknown filter %q", filter))
	}
	return step{member: member, want: want}, strings.TrimPrefix(rest, ".")
}

// each visits the nodes that the path leads to, in source order.
func (p path) each(n *tree.Node, visit func(*tree.Node)) {
	if len(p) == 0 {
		visit(n)
		return
	}
	s, rest := p[0], p[1:]
	switch {
	case s.target != "":
		if pointsAt(n, s.target) {
			rest.each(n, visit)
		}
	case s.member != "":
		if n.Str(s.member) == s.want {
			rest.each(n, visit)
		}
	default:
		for m := range n.Members() {
			if !s.leadsTo(m.Name) {
				continue
			}
			for item := range m.Items() {
				if !item.Is(tree.Null) {
					rest.each(item, visit)
				}
			}
		}
	}
}

// leadsTo reports whether a step goes to the member of this name.
func (s step) leadsTo(name string) bool {
	ending, ok := strings.CutPrefix(name, s.name)
	return ok && (ending == s.as || s.as == "" && isChoice(ending))
}

// pointsAt reports whether a Reference is to this type. A logical reference that does
// not say its type counts: nothing says that it is of another.
func pointsAt(ref *tree.Node, resourceType string) bool {
	if said := ref.Str("type"); said != "" {
		return said == resourceType
	}
	if literal := ref.Str("reference"); literal != "" {
		named, _, ok := localReference(typeAndID(literal))
		return ok && named == resourceType
	}
	return ref.Get("identifier") != nil
}
