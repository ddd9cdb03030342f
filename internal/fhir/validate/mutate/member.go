package mutate

import (
	"slices"

	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/tree"
)

// member breaks a member c of n as such: that it is there, how often, and by what name.
func (m *maker) member(n, c *tree.Node, member *definitions.Member) {
	e, raw := member.Element, m.doc.Raw(c)
	if e.Min > 0 {
		m.emit(Required, e.Path, c, dropped(c, n.Companion(c.Name)))
	}
	m.emit(Null, e.Path, c, replaced(c, "null"))
	switch {
	case c.Kind != tree.Array && !e.Repeats():
		m.emit(Array, e.Path, c, replaced(c, "["+raw+"]"))
		m.emit(Cardinality, e.Path, c, replaced(c, "["+raw+","+raw+"]"))
	case c.Kind == tree.Array:
		m.emit(Empty, e.Path+"/array", c, replaced(c, "[]"))
		if n.Companion(c.Name) == nil { // beside one null is allowed
			m.emit(Null, e.Path+"/item", c, replaced(c, "[null]"))
			m.emit(Array, e.Path, c, replaced(c, m.doc.Raw(c.First())))
		}
	}
	if e.Choice {
		m.secondChoice(n, c, member)
		m.otherChoice(n, c, member)
	}
	m.companion(n, c, member)
}

// secondChoice adds another value of a choice.
func (m *maker) secondChoice(n, c *tree.Node, member *definitions.Member) {
	for _, other := range member.Element.Members {
		if other != member && other.Type.Kind == definitions.Primitive {
			text := quote(other.Name) + ":" + string(toJSON(sample(other.Type.Name)))
			m.emit(Choice, member.Element.Path+"/twice", c, added(n, text))
			return
		}
	}
}

// otherChoice writes a value of a data type that a choice does not allow.
func (m *maker) otherChoice(n, c *tree.Node, member *definitions.Member) {
	e := member.Element
	const any = 40 // value[x] of Extension and its like have more types than this
	if len(e.Members) >= any {
		return
	}
	for _, t := range []string{"Money", "Signature"} {
		if slices.ContainsFunc(e.Members, func(m *definitions.Member) bool { return m.Type.Name == t }) {
			continue
		}
		change := dropped(c, n.Companion(c.Name))
		change.add = map[*tree.Node]string{n: quote(e.Name+t) + `:{"value":1}`}
		m.emit(Choice, e.Path+"/type", c, change)
		return
	}
}

// companion breaks the "_name" member, which in R4 JSON stands beside primitives alone.
func (m *maker) companion(n, c *tree.Node, member *definitions.Member) {
	e := member.Element
	if member.Type.Kind != definitions.Primitive {
		m.emit(Companion, e.Path, c, m.with(n, "_"+c.Name, `{"id":"a"}`))
		return
	}
	if c.Name == "div" || e.Name == "id" || e.Path == "Extension.url" {
		return // these have none at all, which the unknown element covers
	}
	m.emit(Companion, e.Path, c, m.with(n, "_"+c.Name, `"text"`))
}

// with sets a member of an object, whether or not it is there.
func (*maker) with(n *tree.Node, name, text string) edit {
	if c := n.Get(name); c != nil {
		return replaced(c, text)
	}
	return added(n, quote(name)+":"+text)
}
