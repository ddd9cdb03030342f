package validate

import (
	"sync"

	"fhirsvc/internal/fhir/definitions"
)

// schema is the definitions made ready for walking: names to members, values to
// checks, invariants to programs.
type schema struct {
	set         *definitions.Set
	valueSets   map[string]*definitions.ValueSet
	codeSystems map[string]*definitions.CodeSystem
	systems     map[string]bool // code systems that the guide knows by name
	mu          sync.Mutex
	types       sync.Map // type name to *typ, whole
	building    map[string]*typ
}

// typ is a resource or data type.
type typ struct {
	def   *definitions.Type
	shape *shape
	rules []invariant
	self  *member // the type as a resource of its own
}

// shape is what an object may hold.
type shape struct {
	members  nameTable
	elements []*element
	required []*element // those that must be there
	bounded  []*element // those of which there is a most, beyond that of JSON's form
	resource bool       // has a resourceType
}

// element is one element of a shape; index is its place in shape.elements.
type element struct {
	def     *definitions.Element
	index   int
	rules   []invariant
	binding *binding
}

// valueKind is how a member's value is checked.
type valueKind uint8

const (
	complexValue valueKind = iota
	primitiveValue
	resourceValue
	narrativeValue
)

// member is one way of writing an element in JSON.
type member struct {
	def        *definitions.Member
	element    *element
	label      *label
	kind       valueKind
	format     *format // of a primitive
	typ        *typ    // type whose invariants apply, nil for a nested element
	shape      *shape
	reference  bool
	extension  bool
	attachment bool
	coded      bool // a Coding or Quantity
}

func newSchema(set *definitions.Set, guide definitions.Guide) *schema {
	s := &schema{
		set: set, valueSets: map[string]*definitions.ValueSet{}, codeSystems: map[string]*definitions.CodeSystem{},
		systems: map[string]bool{}, building: map[string]*typ{},
	}
	for _, v := range guide.ValueSets {
		s.valueSets[v.URL] = v
	}
	for _, c := range guide.CodeSystems {
		s.codeSystems[c.URL] = c
	}
	for _, url := range guide.Systems {
		s.systems[url] = true
	}
	return s
}

// codeSystem gives a code system by URL, nil when it is not known whole.
func (s *schema) codeSystem(url string) *definitions.CodeSystem {
	if c := s.codeSystems[url]; c != nil {
		return c
	}
	return s.set.CodeSystem(url)
}

// names reports whether a code system is known, be it by name only.
func (s *schema) names(url string) bool { return s.systems[url] || s.set.Names(url) }

// valueSet gives a value set by URL, nil when it is not known.
func (s *schema) valueSet(url string) *definitions.ValueSet {
	if v := s.valueSets[definitions.WithoutVersion(url)]; v != nil {
		return v
	}
	return s.set.ValueSet(url)
}

// typ gives a type made ready, nil when R4 has none of this name.
func (s *schema) typ(name string) *typ {
	if t, ok := s.types.Load(name); ok {
		return t.(*typ)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	t := s.build(name)
	if t == nil {
		return nil
	}
	// What was built on the way is whole by now.
	for n, b := range s.building {
		s.types.Store(n, b)
	}
	return t
}

// build makes a type and all that it is made of; the lock is held.
func (s *schema) build(name string) *typ {
	if t := s.building[name]; t != nil {
		return t
	}
	def := s.set.Type(name)
	if def == nil {
		return nil
	}
	// Types refer to one another in circles, so the shape is there before it is filled.
	t := &typ{def: def, shape: &shape{resource: def.Kind == definitions.Resource}}
	s.building[name] = t
	t.rules = compileAll(def.Constraints)
	s.fillShape(t.shape, &def.Shape, map[*definitions.Shape]*shape{&def.Shape: t.shape})
	t.self = &member{def: def.Self, kind: resourceValue, typ: t, shape: t.shape}
	return t
}

func (s *schema) buildShape(def *definitions.Shape, shapes map[*definitions.Shape]*shape) *shape {
	if out := shapes[def]; out != nil {
		return out
	}
	out := &shape{}
	shapes[def] = out
	s.fillShape(out, def, shapes)
	return out
}

func (s *schema) fillShape(out *shape, def *definitions.Shape, shapes map[*definitions.Shape]*shape) {
	var members []*member
	for i, d := range def.Elements {
		e := &element{def: d, index: i, rules: compileAll(d.Constraints), binding: s.binding(d.Binding)}
		out.elements = append(out.elements, e)
		if d.Min > 0 {
			out.required = append(out.required, e)
		}
		if d.Max == 0 || d.Max > 1 && !d.Choice {
			out.bounded = append(out.bounded, e)
		}
		for _, m := range d.Members {
			members = append(members, s.buildMember(m, e, shapes))
		}
	}
	out.members = newNameTable(members)
}

func (s *schema) buildMember(def *definitions.Member, e *element, shapes map[*definitions.Shape]*shape) *member {
	m := &member{def: def, element: e, label: labelOf(def)}
	switch def.Type.Kind {
	case definitions.Primitive:
		m.kind = primitiveValue
		m.format = formatOf(def.Type.Name)
		m.typ = s.build(def.Type.Name)
		m.shape = m.typ.shape
		if def.Type.Name == "xhtml" {
			m.kind = narrativeValue
		}
		return m
	case definitions.Resource:
		m.kind = resourceValue
		return m
	case definitions.Complex:
	}
	name := def.Type.Name
	m.reference, m.extension = name == "Reference", name == "Extension"
	m.attachment, m.coded = name == "Attachment", name == "Coding" || def.Type.Is("Quantity")
	if def.Element.Nested != nil {
		m.shape = s.buildShape(def.Element.Nested, shapes)
		return m
	}
	m.typ = s.build(name)
	m.shape = m.typ.shape
	return m
}
