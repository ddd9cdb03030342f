package fhir

import (
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"fhirsvc/internal/fhir/tree"
)

// Rewriting says what changes in a resource that somebody else wrote. All else stays as
// it was received, byte for byte: order, numbers, extensions, members that nobody knows.
type Rewriting struct {
	Version                      // id, versionId and lastUpdated
	References                   // nil leaves references as they are
	Insert     map[string]string // root element to the reference that its Reference lacks, such as subject: Patient/1
	Tag, Untag []Coding
}

// References maps a reference as it was sent to the one that is stored; what it doesn't
// know it returns unchanged.
type References func(ref string) string

// edit replaces size bytes at a place of the source.
type edit struct {
	at, size int
	text     string
}

// Rewrite gives the bytes that are stored for a resource.
func Rewrite(doc *tree.Document, w Rewriting) ([]byte, error) {
	if !doc.Root.Is(tree.Object) || doc.Root.Str("resourceType") == "" {
		return nil, fmt.Errorf("rewrite: not a resource")
	}
	x := &rewriter{doc: doc}
	x.identity(w)
	x.meta(w)
	if w.References != nil {
		for n := range doc.Root.Members() {
			if n.Name != "meta" { // written anew above
				x.references(n, w.References)
			}
		}
	}
	for n := range doc.Root.Members() {
		if ref := w.Insert[n.Name]; ref != "" && n.Is(tree.Object) && n.Get("reference") == nil {
			x.prepend(n, `"reference":`+quoted(ref))
		}
	}
	return x.apply(), nil
}

type rewriter struct {
	doc   *tree.Document
	edits []edit
}

func (x *rewriter) identity(w Rewriting) {
	if n := x.doc.Root.Get("id"); n != nil {
		x.replace(n, quoted(w.ID))
		return
	}
	x.after(x.doc.Root.Get("resourceType"), `,"id":`+quoted(w.ID))
}

// meta sets versionId and lastUpdated, and adds and removes tags. The other members of
// meta keep their order and their bytes.
func (x *rewriter) meta(w Rewriting) {
	own := map[string]string{
		"versionId":   quoted(strconv.FormatInt(w.Number, 10)),
		"lastUpdated": quoted(Instant(w.At)),
		"tag":         x.tags(w),
	}
	var parts []string
	meta := x.doc.Root.Get("meta")
	for n := range meta.Members() {
		value, ours := own[n.Name]
		if !ours {
			value = x.doc.Raw(n)
		}
		delete(own, n.Name)
		if value != "" {
			parts = append(parts, quoted(n.Name)+":"+value)
		}
	}
	for _, name := range []string{"versionId", "lastUpdated", "tag"} {
		if value := own[name]; value != "" {
			parts = append(parts, quoted(name)+":"+value)
		}
	}
	text := "{" + strings.Join(parts, ",") + "}"
	if meta != nil {
		x.replace(meta, text)
		return
	}
	after := x.doc.Root.Get("id")
	if after == nil {
		after = x.doc.Root.Get("resourceType")
	}
	x.after(after, `,"meta":`+text)
}

// tags gives the array of tags that stay and come; "" when there are none.
func (x *rewriter) tags(w Rewriting) string {
	var kept []string
	for n := range x.doc.Root.Get("meta").Get("tag").Items() {
		c := readCoding(n)
		is := func(o Coding) bool { return c.Is(o.System, o.Code) }
		if !slices.ContainsFunc(w.Untag, is) && !slices.ContainsFunc(w.Tag, is) {
			kept = append(kept, x.doc.Raw(n))
		}
	}
	for _, c := range w.Tag {
		kept = append(kept, marshal(c))
	}
	if len(kept) == 0 {
		return ""
	}
	return "[" + strings.Join(kept, ",") + "]"
}

func (x *rewriter) references(n *tree.Node, to References) {
	for c := n.First(); c != nil; c = c.Next() {
		if n.Is(tree.Object) && c.Name == "reference" && c.Is(tree.String) {
			if ref := to(c.Text); ref != c.Text {
				x.replace(c, quoted(ref))
			}
			continue
		}
		x.references(c, to)
	}
}

func (x *rewriter) source() string { return x.doc.Raw(x.doc.Root) }

func (x *rewriter) end(n *tree.Node) int { return x.doc.Offset(n) + len(x.doc.Raw(n)) }

func (x *rewriter) replace(n *tree.Node, text string) {
	x.edits = append(x.edits, edit{at: x.doc.Offset(n), size: len(x.doc.Raw(n)), text: text})
}

func (x *rewriter) after(n *tree.Node, text string) {
	x.edits = append(x.edits, edit{at: x.end(n), text: text})
}

// prepend puts a member before the first one of a non-empty object.
func (x *rewriter) prepend(object *tree.Node, member string) {
	x.edits = append(x.edits, edit{at: x.doc.Offset(object) + 1, text: member + ","})
}

// apply makes the edits from the front to the back; those at one place in the order in
// which they were made.
func (x *rewriter) apply() []byte {
	src := x.source()
	shift := x.doc.Offset(x.doc.Root)
	slices.SortStableFunc(x.edits, func(a, b edit) int { return a.at - b.at })
	out := make([]byte, 0, len(src)+256)
	from := 0
	for _, e := range x.edits {
		out = append(out, src[from:e.at-shift]...)
		out = append(out, e.text...)
		from = e.at - shift + e.size
	}
	return append(out, src[from:]...)
}

func quoted(s string) string { return marshal(s) }

func marshal(v any) string {
	b, err := json.Marshal(v)
	if err != nil {
		panic(err) // plain strings and codings always marshal
	}
	return string(b)
}

// BarePatient is a Patient of whom nothing is known but an identifier.
func BarePatient(i Identifier) []byte {
	return []byte(marshal(struct {
		ResourceType string       `json:"resourceType"`
		Identifier   []Identifier `json:"identifier"`
	}{"Patient", []Identifier{{System: i.System, Value: i.Value}}}))
}

// Occurred reads Provenance.occurredDateTime; zero when it is not told.
func Occurred(provenance []byte) time.Time {
	doc, _ := tree.Parse(provenance)
	if doc == nil {
		return time.Time{}
	}
	t, _ := readTime(doc.Root.Get("occurredDateTime"))
	return t
}

// Refer changes references alone.
func Refer(doc *tree.Document, to References) []byte {
	x := &rewriter{doc: doc}
	x.references(doc.Root, to)
	return x.apply()
}

// WithStatus gives a stored resource with another status, nil for what can't be read.
func WithStatus(body []byte, status string) []byte {
	doc, _ := tree.Parse(body)
	if doc == nil || doc.Root.Get("status") == nil {
		return nil
	}
	x := &rewriter{doc: doc}
	x.replace(doc.Root.Get("status"), quoted(status))
	return x.apply()
}

// SubjectOf reads whom a resource is about; the zero Reference when it does not say.
func SubjectOf(doc *tree.Document) Reference { return readReference(doc.Root.Get("subject")) }

// Identifiers gives the identifiers of a resource that have a value, the one by which it
// is known first: the first with use official, else the first.
func Identifiers(doc *tree.Document) []Identifier { return readIdentifiers(doc.Root) }
