package subset

import (
	"strconv"
	"strings"

	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/tree"
)

// tag is the JSON of the tag.
const tag = `{"system":"` + TagSystem + `","code":"` + TagCode + `","display":"subsetted"}`

// writer writes what is left of a document.
type writer struct {
	doc   *tree.Document
	out   []byte
	local map[string]bool // ids of contained resources that something left refers to
}

func (w *writer) resource(t *definitions.Type, v View) {
	var contained *tree.Node
	meta := false
	w.out = append(w.out, '{')
	for m := range w.doc.Root.Members() {
		name := strings.TrimPrefix(m.Name, "_")
		element := t.Member(name)
		switch {
		case m.Name == "resourceType":
			w.member(m.Name, w.doc.Raw(m))
		case m.Name == "meta":
			meta = true
			w.member("meta", w.meta(m))
		case m.Name == "contained":
			contained = m
		case element == nil || !v.keeps(element.Element):
		case v.Mode == Summary:
			w.member(m.Name, w.pruned(m, element.Element))
		default:
			w.member(m.Name, w.whole(m))
		}
	}
	if !meta {
		w.member("meta", `{"tag":[`+tag+`]}`)
	}
	if contained != nil {
		w.contained(contained)
	}
	w.out = append(w.out, '}')
}

// member writes one member; an empty text writes none.
func (w *writer) member(name, text string) {
	if text == "" {
		return
	}
	if len(w.out) > 1 {
		w.out = append(w.out, ',')
	}
	w.out = append(w.out, quoted(name)+":"+text...)
}

// quoted writes a member's name, which R4 makes of letters and digits.
func quoted(name string) string { return strconv.Quote(name) }

// meta writes meta with the tag and without the profiles that the whole conforms to.
func (w *writer) meta(meta *tree.Node) string {
	var parts []string
	tags := tag
	if IsPart(w.doc.Root) {
		tags = ""
	}
	for m := range meta.Members() {
		switch m.Name {
		case "profile", "_profile":
		case "tag":
			inside := strings.Trim(w.doc.Raw(m), "[] \t\r\n")
			tags = strings.Trim(inside+","+tags, ",")
		default:
			parts = append(parts, quoted(m.Name)+":"+w.doc.Raw(m))
		}
	}
	return "{" + strings.Join(append(parts, `"tag":[`+tags+`]`), ",") + "}"
}

// whole gives the bytes of a node and notes what it refers to.
func (w *writer) whole(n *tree.Node) string {
	w.refers(n)
	return w.doc.Raw(n)
}

// refers notes the contained resources that are referred to anywhere below a node.
func (w *writer) refers(n *tree.Node) {
	if id, local := strings.CutPrefix(n.Text, "#"); local && n.Is(tree.String) {
		w.local[id] = true
	}
	for c := n.First(); c != nil; c = c.Next() {
		w.refers(c)
	}
}

// pruned gives what a summary leaves of an element. Elements that R4 defines in place are
// gone through; values of a data type stay whole. What has nothing left is left out, unless
// it is mandatory: then it stays whole.
func (w *writer) pruned(n *tree.Node, e *definitions.Element) string {
	if e.Nested == nil || !n.Is(tree.Array) && !n.Is(tree.Object) {
		return w.whole(n)
	}
	var items []string
	for item := range n.Items() {
		if text := w.object(item, e.Nested); text != "" {
			items = append(items, text)
		} else if e.Min > 0 {
			items = append(items, w.whole(item))
		}
	}
	switch {
	case len(items) == 0:
		return ""
	case n.Is(tree.Array):
		return "[" + strings.Join(items, ",") + "]"
	}
	return items[0]
}

func (w *writer) object(n *tree.Node, shape *definitions.Shape) string {
	var parts []string
	for m := range n.Members() {
		element := shape.Member(strings.TrimPrefix(m.Name, "_"))
		if element == nil || !element.Element.Summary && !isNeeded(element.Element) {
			continue
		}
		if text := w.pruned(m, element.Element); text != "" {
			parts = append(parts, quoted(m.Name)+":"+text)
		}
	}
	if len(parts) == 0 {
		return ""
	}
	return "{" + strings.Join(parts, ",") + "}"
}

// contained writes the contained resources that something left refers to, and those that
// they refer to in turn.
func (w *writer) contained(list *tree.Node) {
	kept := map[*tree.Node]string{}
	for found := true; found; {
		found = false
		for r := range list.Items() {
			if _, there := kept[r]; !there && w.local[r.Str("id")] {
				kept[r], found = w.whole(r), true
			}
		}
	}
	var items []string
	for r := range list.Items() {
		if text := kept[r]; text != "" {
			items = append(items, text)
		}
	}
	if len(items) > 0 {
		w.member("contained", "["+strings.Join(items, ",")+"]")
	}
}
