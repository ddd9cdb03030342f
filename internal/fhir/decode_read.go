package fhir

import (
	"encoding/json"
	"time"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
)

// reader reads one resource within a document and collects what is wrong with it. All
// its methods take nil nodes as absent.
type reader struct {
	doc    *tree.Document
	root   *tree.Node
	path   string // FHIRPath of the resource, such as Bundle.entry[2].resource
	issues []outcome.Issue
}

// newReader reads the resource at root. In a Bundle the path names the entry; alone, a
// resource is named by its type.
func newReader(doc *tree.Document, root *tree.Node, path string) *reader {
	if path == "" {
		path = root.Str("resourceType")
	}
	return &reader{doc: doc, root: root, path: path}
}

// fault records an error at an element below the resource; element is FHIRPath without
// the leading type, such as "value.code", and at the place in the source, if any.
func (r *reader) fault(code outcome.Code, element string, at *tree.Node, format string, args ...any) {
	r.add(outcome.Errorf(code, r.at(element), format, args...), at)
}

// warn records what is accepted but should be known.
func (r *reader) warn(code outcome.Code, element string, at *tree.Node, format string, args ...any) {
	r.add(outcome.Warnf(code, r.at(element), format, args...), at)
}

func (r *reader) at(element string) string {
	if element == "" {
		return r.path
	}
	return r.path + "." + element
}

func (r *reader) add(i outcome.Issue, at *tree.Node) {
	if at == nil {
		at = r.root
	}
	i.Line, i.Col = r.doc.Position(at)
	r.issues = append(r.issues, i)
}

func readConcept(n *tree.Node) CodeableConcept {
	c := CodeableConcept{Text: n.Str("text")}
	for x := range n.Get("coding").Items() {
		c.Coding = append(c.Coding, readCoding(x))
	}
	return c
}

func readCoding(n *tree.Node) Coding {
	return Coding{System: n.Str("system"), Version: n.Str("version"), Code: n.Str("code"), Display: n.Str("display")}
}

// label is what a person would call the concept; "" when it says nothing.
func (c CodeableConcept) label() string {
	if c.Text != "" {
		return c.Text
	}
	for _, x := range c.Coding {
		if x.Display != "" {
			return x.Display
		}
	}
	for _, x := range c.Coding {
		if x.Code != "" {
			return x.Code
		}
	}
	return ""
}

func readIdentifier(n *tree.Node) Identifier {
	return Identifier{Use: n.Str("use"), System: n.Str("system"), Value: n.Str("value")}
}

// readIdentifiers gives the identifiers of a resource that have a value, the one by
// which it is known first: the first with use official, else the first.
func readIdentifiers(resource *tree.Node) []Identifier {
	var ids []Identifier
	official := -1
	for n := range resource.Get("identifier").Items() {
		id := readIdentifier(n)
		if id.Value == "" {
			continue
		}
		if official < 0 && id.Use == "official" {
			official = len(ids)
		}
		ids = append(ids, id)
	}
	if official > 0 {
		first := ids[official]
		copy(ids[1:official+1], ids[:official])
		ids[0] = first
	}
	return ids
}

func readReference(n *tree.Node) Reference {
	r := Reference{Reference: n.Str("reference"), Type: n.Str("type"), Display: n.Str("display")}
	if id := n.Get("identifier"); id.Str("value") != "" {
		i := readIdentifier(id)
		r.Identifier = &i
	}
	return r
}

// Label is what a person would call the one referred to; "" when nothing is told.
func (r Reference) Label() string {
	switch {
	case r.Display != "":
		return r.Display
	case r.Reference != "":
		return r.Reference
	case r.Identifier != nil:
		return r.Identifier.Value
	}
	return ""
}

// By is how the core names the one referred to: a local reference (Practitioner/7), else
// an identifier (system|value), else the display; "" when nobody is named.
func (r Reference) By() string {
	switch {
	case localReference.MatchString(r.Reference):
		return r.Reference
	case r.Identifier != nil:
		return r.Identifier.Token()
	case r.Display != "":
		return r.Display
	}
	return r.Reference
}

func readQuantity(n *tree.Node) Quantity {
	q := Quantity{Comparator: n.Str("comparator"), Unit: n.Str("unit"), System: n.Str("system"), Code: n.Str("code")}
	if v := n.Get("value"); v.Is(tree.Number) {
		q.Value = json.Number(v.Text)
	}
	return q
}

// readTime gives the instant of an R4 dateTime or instant that has a time and an
// offset, UTC in microseconds; ok is false for anything less
// (hl7.org/fhir/R4/datatypes.html#dateTime).
func readTime(n *tree.Node) (t time.Time, ok bool) {
	if !n.Is(tree.String) {
		return time.Time{}, false
	}
	t, err := time.Parse(time.RFC3339Nano, n.Text)
	if err != nil {
		return time.Time{}, false
	}
	return t.UTC().Truncate(time.Microsecond), true
}

// readTimeAt reads an optional time at an element and warns when it is less than one.
func (r *reader) readTimeAt(parent *tree.Node, name, element string) time.Time {
	n := parent.Get(name)
	if n == nil {
		return time.Time{}
	}
	t, ok := readTime(n)
	if !ok {
		r.warn(outcome.CodeValue, element, n, "a time of day with an offset is needed here, such as 2026-01-31T14:05:00+01:00: taken as not told")
	}
	return t
}
