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

// choiceTypes are the types of value[x] that the published expressions leave open.
// The list keeps Encounter.status from matching statusHistory.
func choiceTypes() []string {
	return []string{
		"DateTime", "Period", "Timing", "Instant", "Date", "String", "Age", "Range",
		"CodeableConcept", "Reference", "Uri", "Canonical",
	}
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

// eval gives the nodes that the path leads to, in source order.
func (p path) eval(root *tree.Node) []*tree.Node {
	at := []*tree.Node{root}
	for _, s := range p {
		var next []*tree.Node
		for _, n := range at {
			next = s.from(next, n)
		}
		at = next
	}
	return at
}

func (s step) from(out []*tree.Node, n *tree.Node) []*tree.Node {
	switch {
	case s.target != "":
		if pointsAt(n, s.target) {
			out = append(out, n)
		}
	case s.member != "":
		if n.Str(s.member) == s.want {
			out = append(out, n)
		}
	case s.as != "":
		out = appendItems(out, n.Get(s.name+s.as))
	default:
		if m := n.Get(s.name); m != nil {
			return appendItems(out, m)
		}
		for _, t := range choiceTypes() {
			out = appendItems(out, n.Get(s.name+t))
		}
	}
	return out
}

func appendItems(out []*tree.Node, n *tree.Node) []*tree.Node {
	for item := range n.Items() {
		if !item.Is(tree.Null) {
			out = append(out, item)
		}
	}
	return out
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
