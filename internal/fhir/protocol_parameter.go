package fhir

import (
	"fmt"
	"slices"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/workflow"
)

// parameters reads the extensions that hold parameters. Each has sub-extensions name
// (code or string) and value, and may have a source (string): where the value comes
// from, for its readers alone.
func (r *protocolReader) parameters() {
	known := workflow.Parameters()
	i := -1
	for n := range r.root.Get("extension").Items() {
		i++
		if n.Str("url") == ExtensionProtocolParameter {
			r.parameter(fmt.Sprintf("extension[%d]", i), n, known)
		}
	}
	for _, a := range known {
		if r.given[a.Name] == 0 && !a.Optional {
			r.bad[a.Name] = true
			r.fault(outcome.CodeRequired, "extension", nil, "parameter %s is missing (%s)", a.Name, valueForm(a.Unit))
		}
	}
}

func (r *protocolReader) parameter(at string, n *tree.Node, known []workflow.Parameter) {
	name, value := r.parts(at, n)
	if name == "" || value == nil {
		r.fault(outcome.CodeRequired, at, n, "a parameter needs one name and one value as sub-extensions")
		r.bad[name] = true
		return
	}
	k := slices.IndexFunc(known, func(a workflow.Parameter) bool { return a.Name == name })
	if k < 0 {
		r.fault(outcome.CodeNotSupported, at, n, "parameter %s is not known; a misspelt one would be left out silently", name)
		return
	}
	a := known[k]
	r.given[name]++
	if r.given[name] == 2 && !a.Many {
		r.bad[name] = true
		r.fault(outcome.CodeDuplicate, at, n, "parameter %s is given twice", name)
		return
	}
	text, fault := valueText(a.Unit, value)
	if fault == "" {
		if err := a.Set(&r.p, text); err != nil {
			fault = err.Error()
		}
	}
	if fault != "" {
		r.bad[name] = true
		r.fault(outcome.CodeValue, at, value, "parameter %s: %s", name, fault)
	}
}

// parts gives the name and the value extension; what is there twice is as good as not
// there.
func (r *protocolReader) parts(at string, n *tree.Node) (name string, value *tree.Node) {
	values := 0
	for x := range n.Get("extension").Items() {
		switch url := x.Str("url"); url {
		case "name":
			if name = x.Str("valueCode"); name == "" {
				name = x.Str("valueString")
			}
		case "value":
			value = x
			values++
		case "source":
		default:
			r.fault(outcome.CodeNotSupported, at, x, "%q is not a part of a parameter: name, value and source are", url)
		}
	}
	if values != 1 {
		value = nil
	}
	return name, value
}

// valueForm says how a value of the unit is written.
func valueForm(u workflow.Unit) string {
	switch u {
	case workflow.Number:
		return "valueInteger, valueDecimal, or valueQuantity with the UCUM code 1"
	case workflow.Boolean:
		return "valueBoolean"
	case workflow.FindingOf:
		return "valueCodeableConcept with the code of a finding"
	case workflow.DrugOf:
		return "valueCode with a kind of anticoagulant"
	case workflow.Text:
		return "valueString"
	case workflow.Millilitre, workflow.Minute:
	}
	return "valueQuantity with the UCUM code " + string(u)
}

// valueText gives the value as text for workflow.Parameter.Set, or what is wrong with
// its form.
func valueText(u workflow.Unit, value *tree.Node) (text, fault string) {
	switch u {
	case workflow.Boolean:
		if b := value.Get("valueBoolean"); b.Is(tree.Bool) {
			return b.Text, ""
		}
	case workflow.FindingOf:
		if f, ok := ReadFinding(readConcept(value.Get("valueCodeableConcept"))); ok {
			return string(f), ""
		}
	case workflow.DrugOf:
		if code := value.Str("valueCode"); code != "" {
			return code, ""
		}
	case workflow.Text:
		if s := value.Str("valueString"); s != "" {
			return s, ""
		}
	case workflow.Number:
		for _, name := range []string{"valueInteger", "valueDecimal"} {
			if n := value.Get(name); n.Is(tree.Number) {
				return n.Text, ""
			}
		}
		return quantityText(u, value)
	case workflow.Millilitre, workflow.Minute:
		return quantityText(u, value)
	}
	return "", "it is written as " + valueForm(u)
}

func quantityText(u workflow.Unit, value *tree.Node) (text, fault string) {
	q := value.Get("valueQuantity")
	n := q.Get("value")
	if !n.Is(tree.Number) || q.Get("comparator") != nil {
		return "", "it is written as " + valueForm(u)
	}
	if q.Str("system") != SystemUCUM || q.Str("code") != string(u) {
		return "", fmt.Sprintf("%s has the unit %q of %q: it must be %s of %s", n.Text, q.Str("code"), q.Str("system"), u, SystemUCUM)
	}
	return n.Text, ""
}
