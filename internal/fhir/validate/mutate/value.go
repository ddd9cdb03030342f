package mutate

import (
	"fmt"
	"slices"
	"strings"

	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/tree"
)

// value breaks one value of an element.
func (m *maker) value(n *tree.Node, member *definitions.Member) {
	path := member.Element.Path
	m.emit(JSONType, path, n, replaced(n, m.ofOtherType(n)))
	m.emit(Empty, path, n, replaced(n, emptied(n)))
	switch member.Type.Kind {
	case definitions.Primitive:
		m.primitive(n, member)
	case definitions.Resource:
		m.resource(n, member.Element.Name == "contained")
	case definitions.Complex:
		m.complex(n, member)
		m.object(n, member.Shape)
	}
}

// ofOtherType gives a value of a JSON type that the element never has.
func (m *maker) ofOtherType(n *tree.Node) string {
	switch n.Kind {
	case tree.String:
		return "7"
	case tree.Object:
		return `"text"`
	case tree.Absent, tree.Null, tree.Bool, tree.Number, tree.Array:
	}
	return quote(m.doc.Raw(n))
}

// emptied gives the empty value of the same JSON type; for a boolean or number, which
// have none, an empty object.
func emptied(n *tree.Node) string {
	if n.Kind == tree.String {
		return `""`
	}
	return "{}"
}

func (m *maker) primitive(n *tree.Node, member *definitions.Member) {
	name, path := member.Type.Name, member.Element.Path
	b := member.Element.Binding
	bound := b != nil && b.Strength == "required"
	for i, bad := range badValues(name) {
		what := path
		if i > 0 {
			what = fmt.Sprintf("%s/%s-%d", path, name, i)
		}
		m.emit(Format, what, n, replaced(n, bad))
		if bound {
			break // whatever else is wrong with it, it is outside the value set
		}
	}
	if set := m.closed(member); set != nil && n.Kind == tree.String {
		m.emit(Binding, path, n, replaced(n, `"no-such-code"`))
		if upper := strings.ToUpper(n.Text[:1]) + n.Text[1:]; upper != n.Text && !set.HasCode(upper) {
			m.emit(Binding, path+"/case", n, replaced(n, quote(upper)))
		}
	}
}

// closed gives the value set that an element's codes must be from; nil when there is
// none or other codes than those known may belong to it, as to that of MIME types.
func (m *maker) closed(member *definitions.Member) *definitions.ValueSet {
	b := member.Element.Binding
	if b == nil || b.Strength != "required" {
		return nil
	}
	if set := m.set.ValueSet(b.ValueSet); set != nil && !set.Open {
		return set
	}
	return nil
}

// complex breaks what R4 says of particular data types.
func (m *maker) complex(n *tree.Node, member *definitions.Member) {
	name, path := member.Type.Name, member.Element.Path
	switch {
	case path == "Timing.repeat":
		name = path
	case member.Element.Nested != nil:
		return
	}
	switch name {
	case "Coding":
		m.coding(n, n, member, "%s")
	case "CodeableConcept":
		m.coding(n, n.Get("coding").At(0), member, `{"coding":[%s]}`)
		if m.closed(member) != nil {
			m.emit(Binding, path+"/text", n, replaced(n, `{"text":"text"}`))
		}
	case "Reference":
		m.reference(n, member)
	case "Attachment":
		m.attachment(n, path)
	}
	for _, bad := range dataTypeViolations(name) {
		m.emit(Invariant, bad.key+"/"+name, n, replaced(n, bad.json))
	}
}

// coding writes a wrong code, and the right one of a wrong system.
func (m *maker) coding(n, coding *tree.Node, member *definitions.Member, form string) {
	code := coding.Str("code")
	if m.closed(member) == nil || code == "" {
		return
	}
	path := member.Element.Path
	write := func(what, system, code string) {
		c := `{"system":` + quote(system) + `,"code":` + quote(code) + `}`
		m.emit(Binding, what, n, replaced(n, fmt.Sprintf(form, c)))
	}
	write(path, coding.Str("system"), "no-such-code")
	write(path+"/system", "https://fhirsvc.example/no-such-system", code)
}

// reference leads to a type that is not allowed, and to a contained resource that is
// not there.
func (m *maker) reference(n *tree.Node, member *definitions.Member) {
	m.emit(Invariant, "ref-1", n, replaced(n, `{"reference":"#nobody"}`))
	path, allowed := member.Element.Path, member.Ref.Targets
	wrong := wrongTarget(allowed)
	if wrong == "" {
		return
	}
	lead := func(what, to string) {
		m.emit(Target, what, n, replaced(n, `{"reference":`+quote(to)+`}`))
	}
	lead(path, wrong+"/a1")
	lead(path+"/absolute", "https://fhirsvc.example/fhir/"+wrong+"/a1")
	if c := m.container.Get("contained").At(0); c != nil && !slices.Contains(allowed, c.Str("resourceType")) {
		lead(path+"/contained", "#"+c.Str("id"))
	}
}

// wrongTarget gives a resource type that is not among the allowed; "" when all are.
func wrongTarget(allowed []string) string {
	if len(allowed) == 0 || slices.Contains(allowed, "Resource") {
		return ""
	}
	for _, t := range []string{"Account", "Slot", "Linkage"} {
		if !slices.Contains(allowed, t) {
			return t
		}
	}
	return ""
}

// attachment makes size and hash disagree with the data (hl7.org/fhir/R4/datatypes.html#attachment:
// size is "the number of bytes of data that make up this attachment (before base64
// encoding)", hash "the calculated hash of the data using SHA-1").
func (m *maker) attachment(n *tree.Node, path string) {
	data := n.Str("data")
	if data == "" {
		return
	}
	longer := fmt.Sprint(len(data)) // base64 takes more characters than the data has bytes
	m.emit(Attachment, path+"/size", n, m.with(n, "size", longer))
	const ofNothing = `"2jmj7l5rSw0yVb/vlWAYkK/YBwk="` // the SHA-1 of no bytes at all
	m.emit(Attachment, path+"/hash", n, m.with(n, "hash", ofNothing))
}
