package definitions

import (
	"fmt"
	"strconv"
	"strings"

	"fhirsvc/internal/fhir/tree"
)

const (
	structureBase = "http://hl7.org/fhir/StructureDefinition/"
	systemTypes   = "http://hl7.org/fhirpath/System."
	typeExtension = structureBase + "structuredefinition-fhir-type"
	regexURL      = structureBase + "regex"
	maxValueSet   = structureBase + "elementdefinition-maxValueSet"
)

// homeOf names the type that defines an invariant which the published snapshots
// repeat on every element or resource; it is kept there only. "" for all others.
func homeOf(key string) string {
	switch key {
	case "ele-1":
		return "Element"
	case "ext-1":
		return "Extension"
	case "dom-2", "dom-3", "dom-4", "dom-5", "dom-6":
		return "DomainResource"
	}
	return ""
}

// NewType reads the snapshot of a StructureDefinition that defines a type.
func NewType(sd *tree.Node) (*Type, error) {
	t := &Type{
		Name: sd.Str("type"), Kind: Kind(sd.Str("kind")), Abstract: textOf(sd.Get("abstract")) == "true",
		BaseName: strings.TrimPrefix(sd.Str("baseDefinition"), structureBase),
	}
	root := snapshotTree(sd.Get("snapshot").Get("element"))
	if root == nil {
		return nil, fmt.Errorf("type %s: no snapshot", sd.Str("url"))
	}
	t.Constraints = constraints(root.def, t.Name)
	for _, c := range root.children {
		if t.Kind == Primitive && c.name == "value" {
			t.Regex = extension(c.def.Get("type").At(0), regexURL).Str("valueString")
			continue
		}
		e, err := newElement(c, t.Name)
		if err != nil {
			return nil, err
		}
		t.Shape.Elements = append(t.Shape.Elements, e)
	}
	return t, nil
}

func newElement(n *snapshotNode, typeName string) (*Element, error) {
	def := n.def
	e := &Element{
		Path: def.Str("path"), Name: n.name, Choice: n.choice, Types: typeRefs(def), Binding: binding(def),
		Summary: textOf(def.Get("isSummary")) == "true", Modifier: textOf(def.Get("isModifier")) == "true",
	}
	if def.Get("base").Str("path") == "Resource.id" {
		// R4's snapshots say string here; Resource.id is an id (hl7.org/fhir/R4/resource.html#id).
		e.Types = []TypeRef{{Code: "id"}}
	}
	var err error
	if e.Min, e.Max, err = cardinality(def); err != nil {
		return nil, fmt.Errorf("element %s: %w", e.Path, err)
	}
	e.Constraints = constraints(def, typeName)
	e.Content = strings.TrimPrefix(def.Str("contentReference"), "#")
	for _, c := range n.children {
		child, err := newElement(c, typeName)
		if err != nil {
			return nil, err
		}
		if e.Nested == nil {
			e.Nested = &Shape{}
		}
		e.Nested.Elements = append(e.Nested.Elements, child)
	}
	return e, nil
}

// snapshotNode is an element definition with its place in the tree of ids; def is
// nil where a differential names children only.
type snapshotNode struct {
	name     string // element name without "[x]"
	slice    string
	choice   bool
	def      *tree.Node
	children []*snapshotNode
	slices   []*snapshotNode
}

// snapshotTree turns the flat list of ElementDefinitions, of a snapshot or of a
// differential, into a tree. An id such as "Observation.component:Systolic.code"
// names the slices on its way. nil when the list is empty.
func snapshotTree(list *tree.Node) *snapshotNode {
	t := elementTree{}
	for def := range list.Items() {
		t.node(def.Str("id")).def = def
	}
	root, _, _ := strings.Cut(list.First().Str("id"), ".")
	return t[root]
}

// elementTree holds the nodes by id.
type elementTree map[string]*snapshotNode

// node gives the node of an id and makes it, with those above it, when it is new.
func (t elementTree) node(id string) *snapshotNode {
	if n := t[id]; n != nil {
		return n
	}
	n := &snapshotNode{}
	t[id] = n
	dot := strings.LastIndexByte(id, '.')
	if dot < 0 {
		return n
	}
	step, slice, _ := strings.Cut(id[dot+1:], ":")
	n.name, n.choice = strings.CutSuffix(step, "[x]")
	n.slice = slice
	if slice == "" {
		parent := t.node(id[:dot])
		parent.children = append(parent.children, n)
		return n
	}
	sliced := t.node(id[:dot+1] + step)
	sliced.slices = append(sliced.slices, n)
	return n
}

// cardinality reads min and max; what a differential leaves out is no bound.
func cardinality(def *tree.Node) (lo, hi int, err error) {
	if least := def.Get("min"); least != nil {
		if lo, err = strconv.Atoi(least.Text); err != nil {
			return 0, 0, err
		}
	}
	if most := def.Str("max"); most != "*" && most != "" {
		hi, err = strconv.Atoi(most)
		return lo, hi, err
	}
	return lo, Unbounded, nil
}

func typeRefs(def *tree.Node) []TypeRef {
	var out []TypeRef
	for t := range def.Get("type").Items() {
		r := TypeRef{Code: t.Str("code")}
		if system, ok := strings.CutPrefix(r.Code, systemTypes); ok {
			// Ids and urls have a FHIRPath system type; the FHIR type stands in an extension.
			r.Code = extension(t, typeExtension).Str("valueUrl")
			if r.Code == "" {
				r.Code = strings.ToLower(system[:1]) + system[1:]
			}
		}
		for p := range t.Get("targetProfile").Items() {
			target := strings.TrimPrefix(p.Text, structureBase)
			if target == "Resource" {
				r.Targets = nil
				break
			}
			r.Targets = append(r.Targets, target)
		}
		for p := range t.Get("profile").Items() {
			r.Profiles = append(r.Profiles, p.Text)
		}
		out = append(out, r)
	}
	return out
}

func binding(def *tree.Node) *Binding {
	b := def.Get("binding")
	limit := extension(b, maxValueSet).Str("valueCanonical")
	strength := b.Str("strength")
	if strength != "required" && strength != "extensible" {
		if limit == "" {
			return nil
		}
		strength = ""
	}
	return &Binding{
		Strength: strength, ValueSet: WithoutVersion(b.Str("valueSet")), MaxValueSet: WithoutVersion(limit),
	}
}

func constraints(def *tree.Node, typeName string) []Constraint {
	var out []Constraint
	for c := range def.Get("constraint").Items() {
		key := c.Str("key")
		if home := homeOf(key); home != "" && (home != typeName || def.Str("path") != typeName) {
			continue
		}
		if c.Str("expression") == "" {
			continue
		}
		out = append(out, Constraint{
			Key: key, Warning: c.Str("severity") == "warning", Expression: c.Str("expression"), Human: c.Str("human"),
		})
	}
	return out
}

func extension(n *tree.Node, url string) *tree.Node {
	for e := range n.Get("extension").Items() {
		if e.Str("url") == url {
			return e
		}
	}
	return nil
}

func textOf(n *tree.Node) string {
	if n == nil {
		return ""
	}
	return n.Text
}
