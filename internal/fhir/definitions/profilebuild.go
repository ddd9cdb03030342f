package definitions

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"fhirsvc/internal/fhir/tree"
)

// NewProfile reads a StructureDefinition that constrains a type of the set, its
// snapshot or else its differential, and keeps what differs from that type.
func (s *Set) NewProfile(doc *tree.Document) (*Profile, error) {
	sd := doc.Root
	p := &Profile{URL: sd.Str("url"), Name: sd.Str("name"), Type: sd.Str("type")}
	elements := sd.Get("snapshot").Get("element")
	if elements == nil {
		elements = sd.Get("differential").Get("element")
		if base := sd.Str("baseDefinition"); base != StructureURL(p.Type) {
			p.Base = base
		}
	}
	root := snapshotTree(elements)
	t := s.Type(p.Type)
	if root == nil || t == nil {
		return nil, fmt.Errorf("profile %s: no elements of a known type", p.URL)
	}
	b := profileBuilder{doc: doc, published: sd.Get("snapshot") != nil}
	p.Root = b.rule(root, place{constraints: t.Constraints, shape: &t.Shape, atRoot: true})
	if p.Root == nil {
		p.Root = &Rule{}
	}
	if err := b.err; err != nil {
		return nil, fmt.Errorf("profile %s: %w", p.URL, err)
	}
	p.Root.link()
	return p, nil
}

type profileBuilder struct {
	doc       *tree.Document
	published bool // a snapshot, which says all, so that what is not said is not meant
	err       error
}

// place is what the type says where a rule applies.
type place struct {
	element     *Element // nil at the root
	constraints []Constraint
	shape       *Shape // of the children; nil when unknown
	atRoot      bool
}

// rule gives what the node says beyond its place, nil when that is nothing.
func (b *profileBuilder) rule(n *snapshotNode, at place) *Rule {
	r := &Rule{Name: n.name, SliceName: n.slice}
	if n.def != nil {
		b.facets(r, n, at)
		b.values(r, n)
	}
	if s := b.slicing(n); s != nil {
		r.Slicing = s
		for _, slice := range n.slices {
			if sr := b.rule(slice, at); sr != nil {
				r.Slices = append(r.Slices, sr)
			}
		}
	}
	for _, c := range n.children {
		if at.shape != nil && at.shape.Element(c.name) == nil {
			b.err = fmt.Errorf("there is no element %s to constrain", c.name)
			return nil
		}
		if cr := b.rule(c, at.child(c)); cr != nil {
			r.Children = append(r.Children, cr)
		}
	}
	if r.empty() && n.slice == "" {
		return nil
	}
	return r
}

// child is the place of a child node.
func (at place) child(c *snapshotNode) place {
	e := at.shape.Element(c.name)
	if e == nil {
		return place{}
	}
	out := place{element: e, constraints: e.Constraints}
	if len(e.Members) > 0 {
		out.shape = e.Members[0].Shape
	}
	if e.Choice {
		out.shape = choiceShape(e, typeRefs(c.def))
	}
	return out
}

func choiceShape(e *Element, types []TypeRef) *Shape {
	if len(types) != 1 {
		return nil
	}
	for _, m := range e.Members {
		if m.Ref.Code == types[0].Code {
			return m.Shape
		}
	}
	return nil
}

func (b *profileBuilder) facets(r *Rule, n *snapshotNode, at place) {
	lo, hi, err := cardinality(n.def)
	if err != nil {
		b.err = fmt.Errorf("element %s: %w", n.def.Str("id"), err)
		return
	}
	if at.atRoot {
		lo, hi = 0, Unbounded
	}
	own := &Element{Max: Unbounded}
	if at.element != nil {
		own = at.element
	}
	if n.slice != "" {
		own = &Element{Max: Unbounded, Types: own.Types, Binding: own.Binding, Constraints: own.Constraints}
	}
	if lo > own.Min {
		r.Min = lo
	}
	if hi != own.Max && hi != Unbounded {
		r.Max = &hi
	}
	if types := typeRefs(n.def); at.element != nil && len(types) > 0 && !sameJSON(types, own.Types) {
		r.Types = types
	}
	if bind := binding(n.def); bind != nil && (own.Binding == nil || *bind != *own.Binding) {
		r.Binding = bind
	}
	for _, c := range constraints(n.def, "") {
		known := func(k Constraint) bool { return k.Key == c.Key }
		if !slices.ContainsFunc(at.constraints, known) {
			r.Constraints = append(r.Constraints, c)
		}
	}
}

func (b *profileBuilder) values(r *Rule, n *snapshotNode) {
	for m := range n.def.Members() {
		switch {
		case strings.HasPrefix(m.Name, "fixed"):
			r.FixedJSON = b.raw(m)
		case strings.HasPrefix(m.Name, "pattern"):
			r.PatternJSON = b.raw(m)
		}
	}
}

func (b *profileBuilder) raw(n *tree.Node) json.RawMessage {
	var out bytes.Buffer
	if err := json.Compact(&out, []byte(b.doc.Raw(n))); err != nil {
		b.err = err
	}
	return out.Bytes()
}

// slicing reads how an element is sliced, nil when it has no slices. Extensions are
// sliced by url without being said so (hl7.org/fhir/R4/profiling.html#slicing).
func (b *profileBuilder) slicing(n *snapshotNode) *Slicing {
	if len(n.slices) == 0 {
		return nil
	}
	var def *tree.Node
	if n.def != nil {
		def = n.def.Get("slicing")
	}
	if def == nil {
		if b.published {
			return nil // a name of the published catalog profile that slices nothing
		}
		if n.name != "extension" && n.name != "modifierExtension" {
			b.err = fmt.Errorf("element %s has slices and no slicing", n.name)
		}
		return &Slicing{Discriminators: []Discriminator{{Type: "value", Path: "url"}}}
	}
	s := &Slicing{Ordered: textOf(def.Get("ordered")) == "true"}
	s.Closed = def.Str("rules") == "closed"
	s.OpenAtEnd = def.Str("rules") == "openAtEnd"
	for d := range def.Get("discriminator").Items() {
		s.Discriminators = append(s.Discriminators, Discriminator{Type: d.Str("type"), Path: d.Str("path")})
	}
	return s
}

func (r *Rule) empty() bool {
	return r.Min == 0 && r.Max == nil && r.Types == nil && r.Binding == nil && r.Constraints == nil &&
		r.Slicing == nil && r.Children == nil && r.FixedJSON == nil && r.PatternJSON == nil
}

func sameJSON(a, b any) bool {
	x, errX := json.Marshal(a)
	y, errY := json.Marshal(b)
	return errX == nil && errY == nil && bytes.Equal(x, y)
}
