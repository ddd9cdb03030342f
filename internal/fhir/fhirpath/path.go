package fhirpath

import (
	"strings"
	"sync/atomic"

	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/tree"
)

// rootOrChild is the first step of a path: the focus itself when the name is that
// of its type, else the child of that name.
func rootOrChild(name string) code {
	step := child(name)
	if name == "" || name[0] < 'A' || name[0] > 'Z' {
		return step // type names of R4 resources and complex types start upper case
	}
	return collected(func(e *Env, focus []Value) ([]Value, error) {
		if len(focus) > 0 {
			all := true
			for _, v := range focus {
				all = all && v.fhirType().Is(name)
			}
			if all {
				return focus, nil
			}
		}
		return step.eval(e, focus)
	})
}

// child is the step to the children of one name.
func child(name string) code {
	var met atomic.Pointer[place]
	return collected(func(e *Env, focus []Value) ([]Value, error) {
		if err := e.step(len(focus)); err != nil {
			return nil, err
		}
		from := len(e.arena)
		for i := range focus {
			e.arena = appendChildren(e.Set, e.arena, &focus[i], name, &met)
		}
		return e.arena[from:len(e.arena):len(e.arena)], nil
	})
}

// place is an element of a shape. A step remembers the first one that it meets, which
// for an invariant is nearly always the only one.
type place struct {
	shape   *definitions.Shape
	element *definitions.Element
}

func elementOf(shape *definitions.Shape, name string, met *atomic.Pointer[place]) *definitions.Element {
	p := met.Load()
	if p != nil && p.shape == shape {
		return p.element
	}
	element := shape.Element(name)
	if p == nil {
		met.Store(&place{shape, element})
	}
	return element
}

// appendChildren appends the children of v with the name.
func appendChildren(set *definitions.Set, out []Value, v *Value, name string, met *atomic.Pointer[place]) []Value {
	if v.kind == kindTypeInfo {
		return typeInfoField(out, *v, name)
	}
	if v.kind != kindElement || v.member == nil {
		return out
	}
	holder := v.node
	if v.member.Type != nil && v.member.Type.Kind == definitions.Primitive {
		holder = v.ext
	}
	if holder == nil {
		return out
	}
	element := elementOf(v.member.Shape, name, met)
	if element == nil {
		return out
	}
	if !element.Choice {
		return appendMember(set, out, holder, element.Members[0])
	}
	return appendChoice(set, out, holder, v.member.Shape, element)
}

func appendChoice(set *definitions.Set, out []Value, holder *tree.Node, shape *definitions.Shape, element *definitions.Element) []Value {
	for c := holder.First(); c != nil; c = c.Next() {
		name := strings.TrimPrefix(c.Name, "_")
		if !strings.HasPrefix(name, element.Name) {
			continue
		}
		m := shape.Member(name)
		if m == nil || m.Element != element {
			continue
		}
		if name != c.Name && holder.Get(name) != nil {
			continue // the companion of a value that is met by itself
		}
		return appendMember(set, out, holder, m)
	}
	return out
}

// appendMember appends what the holder has of a member: one value, or the items of
// an array, each primitive joined with its companion.
func appendMember(set *definitions.Set, out []Value, holder *tree.Node, m *definitions.Member) []Value {
	value := holder.Get(m.Name)
	var ext *tree.Node
	if m.Type.Kind == definitions.Primitive {
		ext = holder.Companion(m.Name)
	}
	if value == nil && ext == nil {
		return out
	}
	if !value.Is(tree.Array) && !ext.Is(tree.Array) {
		return appendOne(set, out, m, value, ext)
	}
	v, x := value.First(), ext.First()
	for v != nil || x != nil {
		out = appendOne(set, out, m, v, x)
		v, x = v.Next(), x.Next()
	}
	return out
}

func appendOne(set *definitions.Set, out []Value, m *definitions.Member, value, ext *tree.Node) []Value {
	if value.Is(tree.Null) {
		value = nil
	}
	if ext.Is(tree.Null) {
		ext = nil
	}
	if value == nil && ext == nil {
		return out
	}
	if m.Type.Abstract && m.Type.Kind == definitions.Resource {
		m = resourceMember(set, value)
	}
	return append(out, Value{kind: kindElement, member: m, node: value, ext: ext})
}

// resourceMember gives the place of a resource within another one by its own type.
func resourceMember(set *definitions.Set, n *tree.Node) *definitions.Member {
	if t := set.Type(n.Str("resourceType")); t != nil {
		return t.Self
	}
	return nil
}

// appendAllChildren appends the children of v in the order of its definition.
func appendAllChildren(set *definitions.Set, out []Value, v Value) []Value {
	if v.kind != kindElement || v.member == nil {
		return out
	}
	holder := v.node
	if v.isPrimitive() {
		holder = v.ext
	}
	for c := holder.First(); c != nil; c = c.Next() {
		m := v.member.Shape.Member(c.Name)
		if m == nil {
			bare, isCompanion := strings.CutPrefix(c.Name, "_")
			m = v.member.Shape.Member(bare)
			if !isCompanion || m == nil || holder.Get(bare) != nil {
				continue
			}
		}
		out = appendMember(set, out, holder, m)
	}
	return out
}

// appendDescendants appends all that is below v, parents before children.
func appendDescendants(e *Env, v Value) error {
	from := len(e.arena)
	e.arena = appendAllChildren(e.Set, e.arena, v)
	for i := from; i < len(e.arena); i++ {
		before := len(e.arena)
		e.arena = appendAllChildren(e.Set, e.arena, e.arena[i])
		if err := e.step(len(e.arena) - before); err != nil {
			return err
		}
	}
	return nil
}

func typeInfoField(out []Value, v Value, name string) []Value {
	namespace, bare, _ := strings.Cut(v.text, ".")
	switch name {
	case "namespace":
		return append(out, Text(namespace))
	case "name":
		return append(out, Text(bare))
	}
	return out
}
