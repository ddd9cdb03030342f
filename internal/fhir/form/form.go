package form

import (
	"fmt"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
)

// The extensions that are read (SDC 4.0.0 and R4).
const (
	ExtensionExtract  = "http://hl7.org/fhir/uv/sdc/StructureDefinition/sdc-questionnaire-observationExtract"
	ExtensionCategory = "http://hl7.org/fhir/uv/sdc/StructureDefinition/sdc-questionnaire-observation-extract-category"
	ExtensionUnit     = "http://hl7.org/fhir/StructureDefinition/questionnaire-unit"
	ExtensionMinimum  = "http://hl7.org/fhir/StructureDefinition/minValue"
	ExtensionMaximum  = "http://hl7.org/fhir/StructureDefinition/maxValue"
)

// Definitions of elements of the Observation: an item with one of them in its definition is
// the answer to it, for the questions of its group, or at the root for all.
const (
	observation       = "http://hl7.org/fhir/StructureDefinition/Observation#Observation."
	DefinitionFound   = observation + "effective[x]"
	DefinitionSite    = observation + "bodySite"
	DefinitionMissing = observation + "dataAbsentReason"
	DefinitionNote    = observation + "note"
)

// relation is how an item is extracted.
type relation int

const (
	notExtracted relation = iota
	asObservation
	asComponent
)

// Form is a Questionnaire ready for use.
type Form struct {
	items []*item
	doc   *tree.Document
}

// item is Questionnaire.item. The nodes are those of the Questionnaire.
type item struct {
	link, kind        string
	definition        string
	required, repeats bool
	extract           relation
	code, category    *tree.Node
	unit              *tree.Node                     // Coding
	options           []*tree.Node                   // Codings
	among             func(system, code string) bool // nil for options
	least, most       *tree.Node
	items             []*item
}

// understood are the members of an item that are heeded; another one might change what an
// answer means.
func understood() map[string]bool {
	return map[string]bool{
		"linkId": true, "definition": true, "code": true, "prefix": true, "text": true, "type": true, "required": true,
		"repeats": true, "answerOption": true, "answerValueSet": true, "item": true, "extension": true, "id": true, "readOnly": true,
	}
}

// kinds are the types of item that are served, with the value[x] of their answers; "" has
// none.
func kinds() map[string]string {
	return map[string]string{
		"group": "", "display": "", "boolean": "valueBoolean", "decimal": "valueDecimal", "integer": "valueInteger",
		"dateTime": "valueDateTime", "string": "valueString", "text": "valueString", "choice": "valueCoding",
	}
}

// ValueSets finds a value set by its canonical URL and tells what it holds; nil for one that
// is not known.
type ValueSets func(url string) (has func(system, code string) bool)

// Parse reads a Questionnaire that is valid R4. The error names the first thing in it that
// is not served: answers to it could be taken for something else.
func Parse(body []byte, sets ValueSets) (*Form, error) {
	doc, issues := tree.Parse(body)
	if doc == nil || outcome.HasErrors(issues) {
		return nil, fmt.Errorf("parse questionnaire: it can't be read")
	}
	f := &Form{doc: doc}
	var err error
	f.items, err = parseItems(doc.Root, sets)
	return f, err
}

func parseItems(parent *tree.Node, sets ValueSets) ([]*item, error) {
	var list []*item
	for n := range parent.Get("item").Items() {
		x := &item{
			link: n.Str("linkId"), kind: n.Str("type"), definition: n.Str("definition"),
			required: n.Get("required").Is(tree.Bool) && n.Get("required").Text == "true",
			repeats:  n.Get("repeats").Is(tree.Bool) && n.Get("repeats").Text == "true",
			code:     n.Get("code"),
		}
		for m := range n.Members() {
			if !understood()[m.Name] {
				return nil, fmt.Errorf("item %s: %s is not served", x.link, m.Name)
			}
		}
		if _, ok := kinds()[x.kind]; !ok {
			return nil, fmt.Errorf("item %s: the type %s is not served", x.link, x.kind)
		}
		for o := range n.Get("answerOption").Items() {
			x.options = append(x.options, o.Get("valueCoding"))
		}
		if url := n.Str("answerValueSet"); url != "" {
			if x.among = sets(url); x.among == nil {
				return nil, fmt.Errorf("item %s: the value set %s is not known", x.link, url)
			}
		}
		if err := x.extensions(n); err != nil {
			return nil, err
		}
		var err error
		if x.items, err = parseItems(n, sets); err != nil {
			return nil, err
		}
		list = append(list, x)
	}
	return list, nil
}

func (x *item) extensions(n *tree.Node) error {
	for e := range n.Get("extension").Items() {
		switch url := e.Str("url"); url {
		case ExtensionExtract:
			switch {
			case e.Get("valueBoolean").Is(tree.Bool) && e.Get("valueBoolean").Text == "true":
				x.extract = asObservation
			case e.Str("valueCode") == "component":
				x.extract = asComponent
			default:
				return fmt.Errorf("item %s: only true and component are served of %s", x.link, url)
			}
		case ExtensionCategory:
			x.category = e.Get("valueCodeableConcept")
		case ExtensionUnit:
			x.unit = e.Get("valueCoding")
		case ExtensionMinimum:
			x.least = number(e)
		case ExtensionMaximum:
			x.most = number(e)
		default:
			return fmt.Errorf("item %s: the extension %s is not served", x.link, url)
		}
	}
	return nil
}

func number(e *tree.Node) *tree.Node {
	if n := e.Get("valueInteger"); n != nil {
		return n
	}
	return e.Get("valueDecimal")
}
