package mutate

import (
	"slices"
	"strings"

	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/tree"
)

// Mutant is a resource with one fault.
type Mutant struct {
	Class string // what was broken, for instance "required element dropped"
	Path  string // where, as JSON names it
	Body  []byte
}

// The classes of mutants.
const (
	Dropped     = "required element dropped"
	Unknown     = "unknown element added"
	WrongKind   = "value of another JSON type"
	BadFormat   = "primitive of a wrong format"
	ArrayOfOne  = "array where one value is allowed"
	NoArray     = "one value where an array is required"
	BadCode     = "code outside a required value set"
	BadTarget   = "reference to a type that is not allowed"
	TwoChoices  = "two values of one choice"
	NullValue   = "null"
	EmptyObject = "empty object"
	EmptyArray  = "empty array"
	DoubleName  = "member name twice"
)

// All gives every mutant of a valid resource, in the order of its text; none when
// the body is no resource of R4.
func All(set *definitions.Set, body []byte) []Mutant {
	doc, _ := tree.Parse(body)
	if doc == nil {
		return nil
	}
	m := &maker{set: set, doc: doc}
	m.resource(doc.Root)
	return m.out
}

type maker struct {
	set *definitions.Set
	doc *tree.Document
	out []Mutant
}

func (m *maker) emit(class string, at *tree.Node, e edit) {
	m.out = append(m.out, Mutant{Class: class, Path: m.doc.Expression(at), Body: render(m.doc, e)})
}

func (m *maker) resource(n *tree.Node) {
	if t := m.set.Type(n.Str("resourceType")); t != nil {
		m.object(n, &t.Shape)
	}
}

// object mutates an object and what is in it.
func (m *maker) object(n *tree.Node, s *definitions.Shape) {
	m.emit(Unknown, n, edit{at: n, add: `"notAnElement":"x"`})
	for c := n.First(); c != nil; c = c.Next() {
		member := s.Member(c.Name)
		if member == nil {
			continue // resourceType, and companions, which are not mutated
		}
		m.member(n, c, member)
		for item := range c.Items() {
			m.value(item, member)
		}
	}
}

func (m *maker) member(n, c *tree.Node, member *definitions.Member) {
	e := member.Element
	if e.Min > 0 {
		m.emit(Dropped, c, edit{at: c, drop: true, also: n.Companion(c.Name)})
	}
	m.emit(NullValue, c, edit{at: c, replace: "null"})
	m.emit(DoubleName, c, edit{at: n, add: quote(c.Name) + ":" + m.doc.Raw(c)})
	if c.Kind == tree.Array {
		m.emit(EmptyArray, c, edit{at: c, replace: "[]"})
		if n.Companion(c.Name) == nil {
			m.emit(NoArray, c, edit{at: c, replace: m.doc.Raw(c.First())})
		}
	} else if !e.Repeats() {
		m.emit(ArrayOfOne, c, edit{at: c, replace: "[" + m.doc.Raw(c) + "]"})
	}
	if e.Choice {
		m.second(n, c, member)
	}
}

// second adds another value of a choice, of a primitive type that it allows.
func (m *maker) second(n, c *tree.Node, member *definitions.Member) {
	samples := []struct{ typ, text string }{
		{"boolean", "true"}, {"string", `"x"`}, {"dateTime", `"2026-03-01"`}, {"integer", "1"}, {"uri", `"urn:oid:1.2"`},
	}
	for _, other := range member.Element.Members {
		for _, s := range samples {
			if other != member && other.Ref.Code == s.typ {
				m.emit(TwoChoices, c, edit{at: n, add: quote(other.Name) + ":" + s.text})
				return
			}
		}
	}
}

func (m *maker) value(n *tree.Node, member *definitions.Member) {
	switch {
	case n.Kind == tree.Null:
	case member.Type.Kind == definitions.Primitive:
		m.primitive(n, member)
	case member.Type.Kind == definitions.Resource:
		m.resource(n)
	case n.Kind == tree.Object:
		m.emit(WrongKind, n, edit{at: n, replace: `"x"`})
		m.emit(EmptyObject, n, edit{at: n, replace: "{}"})
		if member.Type.Name == "Reference" {
			m.target(n, member)
		}
		m.object(n, member.Shape)
	}
}

func (m *maker) primitive(n *tree.Node, member *definitions.Member) {
	other := "1"
	if n.Kind != tree.String {
		other = `"x"`
	}
	m.emit(WrongKind, n, edit{at: n, replace: other})
	for _, bad := range badFormats(member.Type.Name) {
		m.emit(BadFormat, n, edit{at: n, replace: bad})
	}
	b := member.Element.Binding
	if b == nil || b.Strength != "required" || n.Kind != tree.String {
		return
	}
	if set := m.set.ValueSet(b.ValueSet); set != nil && !set.Open {
		m.emit(BadCode, n, edit{at: n, replace: `"not-a-code"`})
		if upper := strings.ToUpper(n.Text[:1]) + n.Text[1:]; upper != n.Text && !set.HasCode(upper) {
			m.emit(BadCode, n, edit{at: n, replace: quote(upper)})
		}
	}
}

// target points a relative reference at a type that is not allowed.
func (m *maker) target(n *tree.Node, member *definitions.Member) {
	reference := n.Get("reference")
	if reference == nil || len(member.Ref.Targets) == 0 || n.Get("type") != nil {
		return
	}
	for _, name := range []string{"Linkage", "Basic", "Slot"} {
		if !slices.Contains(member.Ref.Targets, name) {
			m.emit(BadTarget, reference, edit{at: reference, replace: quote(name + "/1")})
			return
		}
	}
}

// badFormats gives JSON texts of the right kind that the type does not allow
// (hl7.org/fhir/R4/datatypes.html#primitive).
func badFormats(primitive string) []string {
	switch primitive {
	case "date":
		return []string{`"2026-13"`, `"2026-02-30"`, `"26-01-01"`, `"2026-01-01T00:00:00Z"`, `""`}
	case "dateTime":
		return []string{`"2026-01-01T10:00:00"`, `"2026-01-01T10:00Z"`, `"2026-01-01T25:00:00Z"`, `"2026-01-01 10:00:00Z"`, `""`}
	case "instant":
		return []string{`"2026-01-01"`, `"2026-01-01T10:00:00"`, `"2026-01-01T10:00Z"`}
	case "time":
		return []string{`"10:00"`, `"24:00:00"`, `"10:00:00Z"`}
	case "code":
		return []string{`" a"`, `"a "`, `"a  b"`, `""`}
	case "id":
		return []string{`"a b"`, `"a_b"`, `""`, quote(strings.Repeat("a", 65))}
	case "uri", "url", "canonical":
		return []string{`"a b"`, `""`}
	case "oid":
		return []string{`"1.2.3"`, `"urn:oid:3.1"`, `"urn:oid:1.02"`}
	case "uuid":
		return []string{`"urn:uuid:1"`, `"c757873d-ec9a-4326-a141-556f43239520"`}
	case "integer":
		return []string{"1.5", "1e3", "2147483648"}
	case "unsignedInt":
		return []string{"-1", "1.5", "2147483648"}
	case "positiveInt":
		return []string{"0", "-1", "1.5"}
	case "base64Binary":
		return []string{`"a"`, `"a=b="`, `"ab!d"`}
	case "string", "markdown":
		return []string{`""`}
	}
	return nil // boolean and decimal have no other form of the right JSON type
}
