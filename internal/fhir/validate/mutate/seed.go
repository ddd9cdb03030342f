package mutate

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"

	"fhirsvc/internal/fhir/definitions"
)

// Types are the resource types that the service reads or writes and that mutants are
// made of; Bundle last, so that what it holds was there before by itself.
func Types() []string {
	return []string{
		"AuditEvent", "CapabilityStatement", "CarePlan", "Communication", "DetectedIssue", "Device", "Encounter", "Flag",
		"MedicationAdministration", "MessageHeader", "Observation", "OperationOutcome",
		"Patient", "PlanDefinition", "Practitioner", "Procedure", "Provenance",
		"ServiceRequest", "Task", "Bundle",
	}
}

// object is a JSON object that can be changed. Numbers are json.Number, so that
// decimals keep their text.
type object = map[string]any

// builder fills every element of a type with a valid value: once in full for each data
// type within a resource, later with the least that is valid.
type builder struct {
	set    *definitions.Set
	values map[string]string // by element path, else by type name: JSON to write, "" to leave out
	whole  map[string]bool
	within []*definitions.Shape // shapes around the current one, against endless nesting
}

// build makes a valid resource with every element that can stand beside the others.
// What particular elements must say so that the invariants hold is in values.
func build(set *definitions.Set, name string, values map[string]string) object {
	all := maps.Clone(values)
	for path, text := range common() {
		path = strings.Replace(path, "Resource.", name+".", 1)
		if _, ok := all[path]; !ok {
			all[path] = text
		}
	}
	b := &builder{set: set, values: all, whole: map[string]bool{}}
	t := set.Type(name)
	out := b.shape(&t.Shape)
	if !t.Is("DomainResource") {
		delete(out, "extension")
	}
	out["resourceType"] = name
	return out
}

func (b *builder) shape(s *definitions.Shape) object {
	b.within = append(b.within, s)
	defer func() { b.within = b.within[:len(b.within)-1] }()
	out := object{}
	for _, e := range s.Elements {
		m := b.memberFor(e)
		if m == nil {
			continue
		}
		v := b.element(e, m)
		if v == nil {
			continue
		}
		if _, many := v.([]any); e.Repeats() && !many {
			v = []any{v}
		}
		out[m.Name] = v
	}
	return out
}

// memberFor chooses how an element is written; nil leaves it out.
func (b *builder) memberFor(e *definitions.Element) *definitions.Member {
	switch e.Name {
	case "id", "extension", "modifierExtension", "implicitRules", "contained":
		if b.values[e.Path] == "" {
			return nil
		}
	}
	if len(e.Members) == 0 || e.Max == 0 {
		return nil
	}
	if want, ok := b.values[e.Path+":type"]; ok {
		for _, m := range e.Members {
			if m.Type.Name == want {
				return m
			}
		}
		panic(fmt.Sprintf("%s has no type %s", e.Path, want))
	}
	return e.Members[0]
}

// element gives a value, nil for none.
func (b *builder) element(e *definitions.Element, m *definitions.Member) any {
	v, ok := b.values[e.Path]
	if !ok && e.Nested == nil {
		v, ok = b.values[m.Type.Name]
	}
	switch {
	case ok && v == "":
		return nil
	case ok:
		return fromJSON(v)
	case m.Type.Kind == definitions.Primitive:
		return b.primitive(e, m)
	case m.Type.Kind == definitions.Resource:
		return nil // only by name, in values
	case e.Nested != nil:
		if slices.Contains(b.within, e.Nested) {
			return nil
		}
		return b.shape(e.Nested)
	}
	return b.complex(e, m)
}

func (b *builder) complex(e *definitions.Element, m *definitions.Member) any {
	name := m.Type.Name
	var out object
	if b.whole[name] || len(b.within) > 6 {
		out = small(name)
	}
	if out == nil {
		b.whole[name] = true
		out = b.shape(&m.Type.Shape)
	}
	switch name {
	case "Reference":
		out["reference"] = target(m.Ref) + "/a1"
		delete(out, "type")
	case "Quantity":
		if m.Ref != nil && len(m.Ref.Profiles) > 0 {
			delete(out, "comparator") // SimpleQuantity has none
		}
	case "Coding":
		b.code(e.Binding, out)
	case "CodeableConcept":
		coding := object{}
		if b.code(e.Binding, coding) {
			out["coding"] = []any{coding}
		}
	}
	return out
}

// code writes a code of the bound value set; false when the element is not bound to
// codes that are known.
func (b *builder) code(binding *definitions.Binding, coding object) bool {
	if binding == nil {
		return false
	}
	set := b.set.ValueSet(binding.ValueSet)
	if set == nil || len(set.Systems) == 0 || len(set.Systems[0].Codes) == 0 {
		return false
	}
	clear(coding)
	coding["system"], coding["code"] = set.Systems[0].System, set.Systems[0].Codes[0]
	return true
}

func (b *builder) primitive(e *definitions.Element, m *definitions.Member) any {
	if e.Binding != nil && m.Type.Name != "boolean" {
		coding := object{}
		if b.code(e.Binding, coding) {
			return coding["code"]
		}
	}
	return sample(m.Type.Name)
}

// target gives a resource type that a reference may lead to.
func target(ref *definitions.TypeRef) string {
	if ref == nil || len(ref.Targets) == 0 {
		return "Patient"
	}
	if ref.Targets[0] == "Resource" {
		return "Patient"
	}
	return ref.Targets[0]
}

// fromJSON reads a value that is written in this package; bad text is our bug.
func fromJSON(text string) any {
	d := json.NewDecoder(bytes.NewReader([]byte(text)))
	d.UseNumber()
	var v any
	if err := d.Decode(&v); err != nil {
		panic(fmt.Errorf("%w in %s", err, text))
	}
	return v
}

// toJSON writes a value, members in alphabetical order.
func toJSON(v any) []byte {
	var out bytes.Buffer
	enc := json.NewEncoder(&out)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(v); err != nil {
		panic(err) // made of maps, slices and strings
	}
	return bytes.TrimSpace(out.Bytes())
}
