package definitions

import "strings"

// linkDataTypes decodes and joins all data types, which refer to one another in
// circles, so that a Type handed out is whole.
func (s *Set) linkDataTypes() {
	var all []*Type
	for _, name := range s.TypeNames() {
		l := s.types[name]
		// Resources are longer and are linked one by one; two abstract ones are needed as bases.
		if !isResource(l.line) || name == "Resource" || name == "DomainResource" {
			all = append(all, l.get(func(*Type) {}))
		}
	}
	for _, t := range all {
		s.linkType(t)
	}
}

func isResource(line []byte) bool {
	return strings.Contains(string(line[:min(len(line), 120)]), `"k":"resource"`)
}

func (s *Set) linkType(t *Type) {
	if t.BaseName != "" {
		t.Base = s.linked(t.BaseName)
	}
	t.Self = &Member{Name: t.Name, Type: t, Shape: &t.Shape}
	paths := map[string]*Shape{t.Name: &t.Shape}
	nestedShapes(&t.Shape, paths)
	for _, shape := range paths {
		for _, e := range shape.Elements {
			if e.Content != "" {
				e.Nested = paths[e.Content]
			}
		}
	}
	for _, shape := range paths {
		s.linkShape(shape)
	}
}

func nestedShapes(shape *Shape, into map[string]*Shape) {
	for _, e := range shape.Elements {
		if e.Nested != nil && e.Content == "" {
			into[e.Path] = e.Nested
			nestedShapes(e.Nested, into)
		}
	}
}

// linked gives a data type, or an abstract resource, without waiting for the links.
func (s *Set) linked(name string) *Type { return s.types[name].get(func(*Type) {}) }

func (s *Set) linkShape(shape *Shape) {
	shape.members = make(map[string]*Member, len(shape.Elements))
	shape.byName = make(map[string]*Element, len(shape.Elements))
	for _, e := range shape.Elements {
		shape.byName[e.Name] = e
		e.Members = s.members(e)
		for _, m := range e.Members {
			shape.members[m.Name] = m
		}
	}
}

func (s *Set) members(e *Element) []*Member {
	if e.Content != "" {
		return []*Member{{Name: e.Name, Element: e, Type: s.linked("BackboneElement"), Shape: e.Nested}}
	}
	out := make([]*Member, 0, len(e.Types))
	for i := range e.Types {
		ref := &e.Types[i]
		m := &Member{Name: e.Name, Element: e, Ref: ref, Type: s.linked(ref.Code)}
		if e.Choice {
			m.Name += strings.ToUpper(ref.Code[:1]) + ref.Code[1:]
		}
		m.Shape = e.Nested
		if m.Shape == nil {
			m.Shape = &m.Type.Shape
		}
		out = append(out, m)
	}
	return out
}
