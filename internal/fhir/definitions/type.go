package definitions

// Kind tells primitives, complex types and resources apart.
type Kind string

// The kinds of StructureDefinition.kind that are kept.
const (
	Primitive Kind = "primitive-type"
	Complex   Kind = "complex-type"
	Resource  Kind = "resource"
)

// Type is a resource or data type. Types never change once they are linked.
type Type struct {
	Name        string       `json:"n"`
	Kind        Kind         `json:"k"`
	Abstract    bool         `json:"a,omitempty"`
	BaseName    string       `json:"b,omitempty"` // type it specialises, "" for Element and Resource
	Regex       string       `json:"r,omitempty"` // published format of a primitive's value
	Constraints []Constraint `json:"c,omitempty"`
	Shape       Shape        `json:"s"`

	Base *Type   `json:"-"` // linked from BaseName
	Self *Member `json:"-"` // the type as the value of no element: a resource, a root
}

// Is reports whether the type is the named one or descends from it.
func (t *Type) Is(name string) bool {
	for ; t != nil; t = t.Base {
		if t.Name == name {
			return true
		}
	}
	return false
}

// Member gives what the JSON member of this name is, nil when the type has none.
func (t *Type) Member(name string) *Member {
	if t == nil {
		return nil
	}
	return t.Shape.Member(name)
}

// Shape is the list of elements that values of a type, or of a nested backbone
// element, may have.
type Shape struct {
	Elements []*Element `json:"e,omitempty"`

	members map[string]*Member
	byName  map[string]*Element
}

// Member gives what the JSON member of this name is, for instance "valueQuantity";
// nil when there is none.
func (s *Shape) Member(name string) *Member {
	if s == nil {
		return nil
	}
	return s.members[name]
}

// Element gives the element of this FHIRPath name, for instance "value"; nil when
// there is none.
func (s *Shape) Element(name string) *Element {
	if s == nil {
		return nil
	}
	return s.byName[name]
}

// Member is one way in which an element is written in JSON: an element of one type
// has one member, value[x] one for each type.
type Member struct {
	Name    string // JSON name
	Element *Element
	Ref     *TypeRef
	Type    *Type  // the type of the value; BackboneElement or Element when nested; Resource when any
	Shape   *Shape // the value's elements; that of Type unless nested
}

// Unbounded is the Max of an element that may repeat without limit ("*").
const Unbounded = -1

// Element is one element of a type.
type Element struct {
	Path        string       `json:"p"` // as published, for instance "Patient.deceased[x]"
	Name        string       `json:"n"` // last step without "[x]"
	Choice      bool         `json:"x,omitempty"`
	Min         int          `json:"i,omitempty"`
	Max         int          `json:"m"`
	Types       []TypeRef    `json:"t,omitempty"`
	Binding     *Binding     `json:"b,omitempty"`
	Constraints []Constraint `json:"c,omitempty"`
	Content     string       `json:"r,omitempty"` // contentReference without "#"
	Nested      *Shape       `json:"s,omitempty"` // elements defined in place, or those of Content
	Summary     bool         `json:"u,omitempty"` // isSummary: part of what _summary=true asks for
	Modifier    bool         `json:"d,omitempty"` // isModifier: changes what the rest means

	Members []*Member `json:"-"` // one for each type, in published order
}

// Repeats reports whether JSON writes the element as an array.
func (e *Element) Repeats() bool { return e.Max == Unbounded || e.Max > 1 }

// TypeRef is one allowed type of an element.
type TypeRef struct {
	Code     string   `json:"c"`           // FHIR type name; "string" and "uri" for ids and urls
	Targets  []string `json:"t,omitempty"` // Reference and canonical: allowed resource types, or profile URLs; empty means any
	Profiles []string `json:"p,omitempty"` // profile URLs of the type, one of which must fit
}

// Binding ties a coded element to a value set.
type Binding struct {
	Strength    string `json:"s"`           // "required" or "extensible"; weaker ones are not kept
	ValueSet    string `json:"v,omitempty"` // canonical URL without version
	MaxValueSet string `json:"m,omitempty"` // R4 elementdefinition-maxValueSet
}

// Constraint is a published invariant.
type Constraint struct {
	Key        string `json:"k"`
	Warning    bool   `json:"w,omitempty"` // severity warning; else error
	Expression string `json:"e"`
	Human      string `json:"h"`
}
