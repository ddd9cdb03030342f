package fhir

import (
	"slices"
	"strings"

	"github.com/google/uuid"

	"fhirsvc/internal/fhir/tree"
)

// Delivered reports whether resources of a type are delivered to other FHIR servers: what the
// service makes of an episode, and what was charted in it. Patients, Encounters,
// Practitioners, Procedures and Devices belong to whoever sent them and are referred to.
// Provenance and AuditEvent have no identifier in R4 by which a copy could be found again.
func Delivered(resourceType string) bool {
	switch resourceType {
	case "CarePlan", "Task", "Flag", "DetectedIssue", "Communication", "Observation",
		"MedicationAdministration", "QuestionnaireResponse", "ServiceRequest", "DocumentReference":
		return true
	}
	return false
}

// CopyKey is the business identifier by which the copy of a resource is found at another
// server: the one that the resource is known by, else its id as a URN (RFC 9562 section 4),
// which Copy adds. Own ones can't be anybody else's.
func CopyKey(doc *tree.Document, resourceType, id string) (key Identifier, own bool) {
	if known := Identifiers(doc); len(known) > 0 {
		return known[0], strings.HasPrefix(known[0].System, CanonicalBase+"/NamingSystem/")
	}
	return Identifier{System: systemURI, Value: "urn:uuid:" + CopyUUID(resourceType, id)}, true
}

// CopyUUID is the id of a resource as a UUID: ids are UUIDs as long as the service makes them.
func CopyUUID(resourceType, id string) string {
	if u, err := uuid.Parse(id); err == nil {
		return u.String()
	}
	return uuid.NewSHA1(uuid.NameSpaceURL, []byte(CanonicalBase+"/"+resourceType+"/"+id)).String()
}

// CopyLink is how a copy refers to something: literally or by a condition (Reference), else by
// what it is known by (Type, Identifier, Display), which every server takes
// (hl7.org/fhir/R4/references.html#logical).
type CopyLink struct {
	Reference  string
	Type       string
	Identifier *Identifier
	Display    string
}

// CopyLinks gives for a reference as it is stored how a copy writes it; ok is false for one that
// stays as it is.
type CopyLinks func(reference string) (l CopyLink, ok bool)

// Copy is what differs in the copy of a resource at another server. All else is what is
// stored; the meta.versionId and meta.lastUpdated of this service are left out.
type Copy struct {
	ID    string // what the other server calls it; "" leaves it to give one
	Key   Identifier
	Links CopyLinks
}

// RenderCopy gives the bytes of a copy.
func RenderCopy(doc *tree.Document, c Copy) []byte {
	x := &copier{doc: doc, links: c.Links}
	var members []string
	put := func(name, value string) { members = append(members, quoted(name)+":"+value) }
	identified := false
	for n := range doc.Root.Members() {
		switch n.Name {
		case "id":
			if c.ID != "" {
				put("id", quoted(c.ID))
			}
		case "meta":
			if meta := x.meta(n); meta != "" {
				put("meta", meta)
			}
		case "identifier":
			identified = true
			put("identifier", x.identifier(n, c.Key))
		default:
			put(n.Name, x.value(n))
		}
	}
	if !identified {
		put("identifier", x.added(c.Key))
	}
	return []byte("{" + strings.Join(members, ",") + "}")
}

type copier struct {
	doc   *tree.Document
	links CopyLinks
}

func (x *copier) meta(n *tree.Node) string {
	var kept []string
	for m := range n.Members() {
		if m.Name != "versionId" && m.Name != "lastUpdated" {
			kept = append(kept, quoted(m.Name)+":"+x.doc.Raw(m))
		}
	}
	if kept == nil {
		return ""
	}
	return "{" + strings.Join(kept, ",") + "}"
}

// identifier keeps the identifiers that are there, and adds the key if it is not among them.
func (x *copier) identifier(n *tree.Node, key Identifier) string {
	known := readIdentifiers(x.doc.Root)
	has := slices.ContainsFunc(known, func(i Identifier) bool { return i.System == key.System && i.Value == key.Value })
	if has || !n.Is(tree.Array) {
		return x.value(n)
	}
	var all []string
	for i := range n.Items() {
		all = append(all, x.value(i))
	}
	return "[" + strings.Join(append(all, marshal(key)), ",") + "]"
}

// added writes the key where there was no identifier: QuestionnaireResponse has but one
// (hl7.org/fhir/R4/questionnaireresponse.html).
func (x *copier) added(key Identifier) string {
	if x.doc.Root.Str("resourceType") == "QuestionnaireResponse" {
		return marshal(key)
	}
	return marshal([]Identifier{key})
}

// value writes a value with its references as a copy has them.
func (x *copier) value(n *tree.Node) string {
	switch {
	case n.Is(tree.Object):
		if ref := n.Get("reference"); ref != nil && ref.Is(tree.String) {
			if l, ok := x.links(ref.Text); ok {
				return x.reference(n, l)
			}
		}
		var members []string
		for m := range n.Members() {
			members = append(members, quoted(m.Name)+":"+x.value(m))
		}
		return "{" + strings.Join(members, ",") + "}"
	case n.Is(tree.Array):
		var items []string
		for i := range n.Items() {
			items = append(items, x.value(i))
		}
		return "[" + strings.Join(items, ",") + "]"
	}
	return x.doc.Raw(n)
}

// reference writes a Reference. What it says beside the link stays; what a link without one
// needs is added where it says nothing.
func (x *copier) reference(n *tree.Node, l CopyLink) string {
	var members []string
	said := map[string]bool{}
	put := func(name, value string) {
		members = append(members, quoted(name)+":"+value)
		said[name] = true
	}
	if l.Reference != "" {
		put("reference", quoted(l.Reference))
	}
	for m := range n.Members() {
		if m.Name != "reference" && m.Name != "_reference" {
			put(m.Name, x.value(m))
		}
	}
	if l.Reference == "" {
		if l.Type != "" && !said["type"] {
			put("type", quoted(l.Type))
		}
		if l.Identifier != nil && !said["identifier"] {
			put("identifier", marshal(l.Identifier))
		}
		if l.Display != "" && !said["display"] {
			put("display", quoted(l.Display))
		}
	}
	return "{" + strings.Join(members, ",") + "}"
}

// LocalReference takes a reference apart that is relative to this service, whether it names a
// version or not; ok is false for all others.
func LocalReference(reference string) (resourceType, id string, ok bool) {
	reference, _, _ = strings.Cut(reference, "/_history/")
	if !localReference.MatchString(reference) {
		return "", "", false
	}
	resourceType, id, _ = strings.Cut(reference, "/")
	return resourceType, id, true
}

// ReferencesOf gives all references of a resource as they are written, each once.
func ReferencesOf(doc *tree.Document) []string {
	var all []string
	var walk func(n *tree.Node)
	walk = func(n *tree.Node) {
		for c := n.First(); c != nil; c = c.Next() {
			if n.Is(tree.Object) && c.Name == "reference" && c.Is(tree.String) {
				all = append(all, c.Text)
			}
			walk(c)
		}
	}
	walk(doc.Root)
	slices.Sort(all)
	return slices.Compact(all)
}
