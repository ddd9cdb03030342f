package mutate

import (
	"strings"

	"fhirsvc/internal/fhir/tree"
)

// edit is a change of a document, in JSON text: what stands instead of a value, "" for
// nothing, and which members are added at the end of an object.
type edit struct{ instead, add map[*tree.Node]string }

func replaced(n *tree.Node, text string) edit {
	return edit{instead: map[*tree.Node]string{n: text}}
}

func added(n *tree.Node, members string) edit {
	return edit{add: map[*tree.Node]string{n: members}}
}

// dropped leaves out members; a nil one is none.
func dropped(members ...*tree.Node) edit {
	e := edit{instead: map[*tree.Node]string{}}
	for _, n := range members {
		if n != nil {
			e.instead[n] = ""
		}
	}
	return e
}

// render writes the document with the edit. Members keep their order, numbers their text.
func render(doc *tree.Document, e edit) []byte {
	var b strings.Builder
	write(&b, doc, doc.Root, e)
	return []byte(b.String())
}

func write(b *strings.Builder, doc *tree.Document, n *tree.Node, e edit) {
	if text, ok := e.instead[n]; ok {
		b.WriteString(text)
		return
	}
	switch n.Kind {
	case tree.Object:
		b.WriteByte('{')
		first := true
		for c := n.First(); c != nil; c = c.Next() {
			if text, ok := e.instead[c]; ok && text == "" {
				continue
			}
			separate(b, &first)
			b.WriteString(quote(c.Name) + ":")
			write(b, doc, c, e)
		}
		if text := e.add[n]; text != "" {
			separate(b, &first)
			b.WriteString(text)
		}
		b.WriteByte('}')
	case tree.Array:
		b.WriteByte('[')
		first := true
		for c := n.First(); c != nil; c = c.Next() {
			separate(b, &first)
			write(b, doc, c, e)
		}
		b.WriteByte(']')
	case tree.Absent, tree.Null, tree.Bool, tree.Number, tree.String:
		b.WriteString(doc.Raw(n))
	}
}

func separate(b *strings.Builder, first *bool) {
	if !*first {
		b.WriteByte(',')
	}
	*first = false
}

func quote(s string) string { return string(toJSON(s)) }
