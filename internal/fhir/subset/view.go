package subset

import (
	"errors"
	"slices"

	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/tree"
)

// The tag of what is a part alone, so that nobody takes it for the whole.
const (
	TagSystem = "http://terminology.hl7.org/CodeSystem/v3-ObservationValue"
	TagCode   = "SUBSETTED"
)

// Mode is what a View leaves.
type Mode uint8

// The modes, R4 search.html#summary and #elements. The zero value is the whole.
const (
	Whole    Mode = iota
	Summary       // what the definitions mark as summary
	Text          // the narrative, id and meta
	Data          // all but the narrative
	Elements      // the named elements
)

// View says which part of a resource is wanted. Whatever it is, id and meta, mandatory
// elements and those that change the meaning of others stay.
type View struct {
	Mode Mode
	// Names are those of elements at the root, of Elements alone. A choice is named
	// without its type: "value".
	Names []string
}

// Has reports whether a resource type has an element of this name at its root.
func Has(resourceType, name string) bool {
	t := definitions.R4().Type(resourceType)
	return t != nil && t.Shape.Element(name) != nil
}

// IsPart reports whether a resource is tagged as a part of one.
func IsPart(resource *tree.Node) bool {
	for tag := range resource.Get("meta").Get("tag").Items() {
		if isTag(tag) {
			return true
		}
	}
	return false
}

func isTag(n *tree.Node) bool { return n.Str("system") == TagSystem && n.Str("code") == TagCode }

// Of gives the part of a resource. It fails only on what is no resource of R4.
//
// What is left claims no profile: meta.profile says of the whole that it conforms.
// Contained resources stay as far as something that is left refers to them (dom-3).
func (v View) Of(body []byte) ([]byte, error) {
	if v.Mode == Whole {
		return body, nil
	}
	doc, _ := tree.Parse(body)
	if doc == nil {
		return nil, errors.New("subset: not JSON")
	}
	t := definitions.R4().Type(doc.Root.Str("resourceType"))
	if t == nil {
		return nil, errors.New("subset: not a resource of R4")
	}
	w := writer{doc: doc, local: map[string]bool{}}
	w.resource(t, v)
	return w.out, nil
}

// keeps reports whether an element at the root stays.
func (v View) keeps(e *definitions.Element) bool {
	if e.Name == "id" || isNeeded(e) {
		return true
	}
	switch v.Mode {
	case Summary:
		return e.Summary
	case Text:
		return e.Name == "text"
	case Data:
		return e.Name != "text"
	case Elements:
		return slices.Contains(v.Names, e.Name)
	case Whole:
	}
	return true
}

// isNeeded reports whether what is left would be wrong without an element.
func isNeeded(e *definitions.Element) bool { return e.Min > 0 || e.Modifier }
