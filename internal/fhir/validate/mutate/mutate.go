package mutate

import (
	"strings"

	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/tree"
)

// Mutant is a resource with one fault.
type Mutant struct {
	Type  string // of the innermost resource that has the fault
	Class string // the kind of fault, one of the constants
	What  string // the element by its definition, or an invariant's key; after "/" which way
	At    string // where in the text, as FHIRPath; "" when a table says what is broken
	Body  []byte // JSON, not always well-formed
}

// ID tells what was done, for instance "Task/required/Task.intent". Of the mutants of
// one body several can have the same.
func (m Mutant) ID() string { return m.Type + "/" + m.Class + "/" + m.What }

// The classes of mutants.
const (
	Required    = "required"         // a required element is dropped
	JSONType    = "json-type"        // value of another JSON type
	Format      = "format"           // value that its primitive type does not allow
	Cardinality = "cardinality"      // two values where one is allowed
	Array       = "array"            // one value in an array, or an array's value alone
	Choice      = "choice"           // second value of a choice, or a type that is not in it
	Unknown     = "unknown-element"  // an element that the type does not have
	Duplicate   = "duplicate-key"    // a member's name twice
	Null        = "null"             // null for the value
	Empty       = "empty"            // empty object, array or string
	Companion   = "companion"        // wrong "_name" beside a member
	Binding     = "binding"          // code outside a required value set
	Target      = "reference-target" // reference to a type that is not allowed
	Invariant   = "invariant"        // a published invariant is broken
	Bundle      = "bundle"           // at odds with what R4 says of Bundles in words
	VitalSign   = "vital-sign"       // a vital sign that does not fit its published profile
	Attachment  = "attachment"       // size or hash are not those of the data
)

// Of gives every mutant by rule of a valid resource and of the resources in it, in the
// order of its text; none when the body is no resource of R4.
func Of(body []byte) []Mutant { return of(body, func(Mutant) bool { return true }) }

// of gives those mutants that are wanted, which is asked before they have a body.
func of(body []byte, wanted func(Mutant) bool) []Mutant {
	doc, _ := tree.Parse(body)
	if doc == nil {
		return nil
	}
	m := &maker{set: definitions.R4(), doc: doc, wanted: wanted}
	m.resource(doc.Root, false)
	return m.out
}

type maker struct {
	set       *definitions.Set
	doc       *tree.Document
	wanted    func(Mutant) bool
	innermost *tree.Node // resource
	container *tree.Node // the innermost resource that is not contained
	out       []Mutant
}

func (m *maker) emit(class, what string, at *tree.Node, e edit) {
	made := Mutant{Type: m.innermost.Str("resourceType"), Class: class, What: what}
	if !m.wanted(made) {
		return
	}
	made.At, made.Body = m.doc.Expression(at), render(m.doc, e)
	m.out = append(m.out, made)
}

func (m *maker) resource(n *tree.Node, contained bool) {
	t := m.set.Type(n.Str("resourceType"))
	if t == nil {
		return
	}
	innermost, container := m.innermost, m.container
	defer func() { m.innermost, m.container = innermost, container }()
	m.innermost = n
	if !contained {
		m.container = n
	}
	m.object(n, &t.Shape)
	m.everyResource(n)
	if t.Is("DomainResource") {
		m.domainResource(n, contained)
	}
}

// object mutates an object and what is in it.
func (m *maker) object(n *tree.Node, s *definitions.Shape) {
	at, _, _ := cutLast(s.Elements[0].Path, ".")
	m.emit(Unknown, at, n, added(n, `"unknownElement":"text"`))
	for c := n.First(); c != nil; c = c.Next() {
		member := s.Member(c.Name)
		if member == nil {
			continue // resourceType, and companions, which have their turn with their member
		}
		m.emit(Duplicate, at, c, added(n, quote(c.Name)+":"+m.doc.Raw(c)))
		m.member(n, c, member)
		for item := range c.Items() {
			if item.Kind != tree.Null {
				m.value(item, member)
			}
		}
	}
}

// cutLast is strings.Cut at the last separator.
func cutLast(s, sep string) (before, after string, found bool) {
	i := strings.LastIndex(s, sep)
	if i < 0 {
		return s, "", false
	}
	return s[:i], s[i+len(sep):], true
}
