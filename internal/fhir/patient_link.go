package fhir

import (
	"strings"

	"fhirsvc/internal/fhir/tree"
)

// Link is one Patient.link: another record of the same person
// (hl7.org/fhir/R4/patient.html#links).
type Link struct {
	Type        LinkType
	Identifiers []Identifier // of the other record; none when it is only referred to
}

// LinkType is a code of http://hl7.org/fhir/ValueSet/link-type.
type LinkType string

// The types that say that one record stands for the other. "refer" and "seealso" leave both
// in use.
const (
	LinkReplaces   LinkType = "replaces"
	LinkReplacedBy LinkType = "replaced-by"
)

// Merges reports whether the link makes two records one.
func (t LinkType) Merges() bool { return t == LinkReplaces || t == LinkReplacedBy }

// links reads the links of the subject. The other record is known by identifier: its own in
// the Bundle, or that of the reference. A literal reference that leads out of the Bundle is
// one of the sender's server, and says nothing here.
func (d *decoder) links(b *bundleEntry) {
	d.notice.Links = nil
	for n := range b.resource.Get("link").Items() {
		l := Link{Type: LinkType(n.Str("type"))}
		ref := readReference(n.Get("other"))
		if ref.Identifier != nil {
			l.Identifiers = []Identifier{*ref.Identifier}
		}
		if other := d.find(ref.Reference); other != nil && other.resource.Str("resourceType") == "Patient" {
			l.Identifiers = append(l.Identifiers, readIdentifiers(other.resource)...)
		}
		d.notice.Links = append(d.notice.Links, l)
	}
}

// Linked gives the records (Patient/id) that a stored Patient is linked to, by type.
func Linked(patient []byte) map[LinkType][]string {
	doc, _ := tree.Parse(patient)
	if doc == nil {
		return nil
	}
	found := map[LinkType][]string{}
	for n := range doc.Root.Get("link").Items() {
		t, ref := LinkType(n.Str("type")), n.Get("other").Str("reference")
		if t.Merges() && strings.HasPrefix(ref, "Patient/") {
			found[t] = append(found[t], ref)
		}
	}
	return found
}

// WithLinks gives a Patient whose links lead to the records (Patient/id) that were found for
// them, in order; "" for one that is not known here, which then is named by its identifier
// alone, if it has one.
func WithLinks(patient []byte, to []string) []byte {
	doc, _ := tree.Parse(patient)
	if doc == nil {
		return patient
	}
	x := &rewriter{doc: doc}
	i := 0
	for n := range doc.Root.Get("link").Items() {
		other, ref := n.Get("other"), ""
		if i < len(to) {
			ref = to[i]
		}
		i++
		r := Reference{Reference: ref}
		if id := readReference(other).Identifier; id != nil {
			r.Identifier = id
		}
		if r == (Reference{}) {
			r.Display = "a record that is not known here"
		}
		x.replace(other, marshal(r))
	}
	return x.apply()
}

// Retired gives a stored Patient that another record replaces: no longer active, with the
// link that says so (hl7.org/fhir/R4/patient.html#links).
func Retired(patient []byte, by string) []byte {
	doc, _ := tree.Parse(patient)
	if doc == nil {
		return patient
	}
	x := &rewriter{doc: doc}
	link := `{"other":{"reference":` + quoted(by) + `},"type":` + quoted(string(LinkReplacedBy)) + `}`
	first := doc.Root.Get("resourceType")
	if active := doc.Root.Get("active"); active != nil {
		x.replace(active, "false")
	} else {
		x.after(first, `,"active":false`)
	}
	if links := doc.Root.Get("link"); links != nil {
		x.after(links.At(links.Len()-1), ","+link)
	} else {
		x.after(first, `,"link":[`+link+`]`)
	}
	return x.apply()
}
