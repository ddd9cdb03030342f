package mutate

import (
	"encoding/json"
	"strings"

	"fhirsvc/internal/fhir/tree"
)

// edit is one change of a document: a node's value replaced or its member dropped,
// or members added to an object.
type edit struct {
	at      *tree.Node
	replace string // JSON text; "" when drop or add
	drop    bool
	add     string // JSON text of members, to stand at the end of the object at
	also    *tree.Node
}

// render writes the document with the edit. Members keep their order, numbers their text.
func render(doc *tree.Document, e edit) []byte {
	var b strings.Builder
	write(&b, doc, doc.Root, e)
	return []byte(b.String())
}

func write(b *strings.Builder, doc *tree.Document, n *tree.Node, e edit) {
	if n == e.at && e.replace != "" {
		b.WriteString(e.replace)
		return
	}
	switch n.Kind {
	case tree.Object:
		b.WriteByte('{')
		first := true
		for c := n.First(); c != nil; c = c.Next() {
			if e.drop && (c == e.at || c == e.also) {
				continue
			}
			separate(b, &first)
			b.WriteString(quote(c.Name) + ":")
			write(b, doc, c, e)
		}
		if n == e.at && e.add != "" {
			separate(b, &first)
			b.WriteString(e.add)
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
	}
	b.WriteString(doc.Raw(n))
}

func separate(b *strings.Builder, first *bool) {
	if !*first {
		b.WriteByte(',')
	}
	*first = false
}

func quote(s string) string {
	q, err := json.Marshal(s)
	if err != nil {
		return `""` // a string always marshals
	}
	return string(q)
}
