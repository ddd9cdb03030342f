package conformance

import "fhirsvc/internal/fhir/definitions"

// place is one member of an object somewhere in a seed.
type place struct {
	path    []any // from the root to the object: member names and indexes
	shape   *definitions.Shape
	element *definitions.Element
	member  *definitions.Member
}

// places lists the members of a resource in the order of the definitions, those of
// resources within it apart.
func places(root object) []place {
	t := definitions.R4().Type(root["resourceType"].(string))
	return within(root, &t.Shape, nil)
}

func within(o object, shape *definitions.Shape, path []any) []place {
	var out []place
	for _, e := range shape.Elements {
		for _, m := range e.Members {
			v, ok := o[m.Name]
			if !ok {
				continue
			}
			out = append(out, place{path, shape, e, m})
			if m.Type.Kind == definitions.Resource || m.Type.Kind == definitions.Primitive {
				continue
			}
			at := append(path[:len(path):len(path)], m.Name)
			if list, ok := v.([]any); ok {
				v, at = list[0], append(at, 0)
			}
			out = append(out, within(v.(object), m.Shape, at)...)
		}
	}
	return out
}

// change copies a seed and lets f change the object at a path of the copy.
func change(root object, path []any, f func(object)) object {
	out := clone(root).(object)
	f(find(out, path).(object))
	return out
}

// find follows a path of member names and indexes.
func find(v any, path []any) any {
	for _, step := range path {
		switch step := step.(type) {
		case string:
			v = v.(object)[step]
		case int:
			v = v.([]any)[step]
		}
	}
	return v
}

// value gives the value at a place, that of the first item when it repeats.
func (p place) value(o object) any {
	v := o[p.member.Name]
	if list, ok := v.([]any); ok && p.element.Repeats() {
		return list[0]
	}
	return v
}

// put writes a value at a place, in an array when the element repeats.
func (p place) put(o object, v any) {
	if p.element.Repeats() {
		v = []any{v}
	}
	o[p.member.Name] = v
}
