package main

import (
	"bytes"
	"cmp"
	"fmt"
	"slices"

	"fhirsvc/internal/fhir"
)

const (
	coreBase    = "http://hl7.org/fhir/StructureDefinition/"
	profileBase = fhir.CanonicalBase + "/StructureDefinition/"
	publisher   = "fhirsvc"
)

// profile is one StructureDefinition before its snapshot.
type profile struct {
	id, name, title string
	kind            string // the type that it constrains
	base            string // id of the profile that it derives from, "" for the type itself
	abstract        bool
	context         string // of an extension: where it stands
	description     string
	rules           []rule
}

func (p profile) url() string { return profileBase + p.id }

func (p profile) baseURL() string {
	if p.base != "" {
		return profileBase + p.base
	}
	return coreBase + p.kind
}

// differential states the profile's rules as ElementDefinitions.
func (p profile) differential() []element {
	root := rule{id: p.kind, short: p.title, definition: p.description}
	rules := p.rules
	if len(rules) > 0 && rules[0].id == p.kind {
		root.constraints, rules = rules[0].constraints, rules[1:]
	}
	var out []element
	for _, r := range append([]rule{root}, rules...) {
		out = append(out, r.element(p.url()))
	}
	return out
}

// snapshot gives the profile's elements whole.
func (p profile) snapshot(published structures) ([]element, error) {
	base := published[p.kind].Snapshot.Element
	if p.base != "" {
		var err error
		if base, err = profileOf(p.base).snapshot(published); err != nil {
			return nil, err
		}
	}
	s := newSnapshot(published, base)
	err := s.apply(p.differential())
	return s.elements, err
}

// structureDefinition writes the profile, a line an element.
func (p profile) structureDefinition(published structures) ([]byte, error) {
	whole, err := p.snapshot(published)
	if err != nil {
		return nil, err
	}
	w := newResource("StructureDefinition", p.id, p.title, p.description)
	w.member("url", p.url())
	w.member("version", fhir.Published)
	w.member("name", p.name)
	w.member("title", p.title)
	w.standing()
	w.member("description", p.description)
	w.member("fhirVersion", "4.0.1")
	if p.context == "" {
		w.member("kind", "resource")
	} else {
		w.member("kind", "complex-type")
	}
	w.member("abstract", p.abstract)
	if p.context != "" {
		w.member("context", []map[string]string{{"type": "element", "expression": p.context}})
	}
	w.member("type", p.kind)
	w.member("baseDefinition", p.baseURL())
	w.member("derivation", "constraint")
	w.elements("snapshot", whole)
	w.elements("differential", inOrder(p.differential(), whole))
	return w.end(), nil
}

// inOrder sorts a differential as the snapshot has the elements, which R4 asks for
// (hl7.org/fhir/R4/profiling.html#snapshot) and validators rely on.
func inOrder(differential, whole []element) []element {
	place := make(map[string]int, len(whole))
	for i, e := range whole {
		place[e.id()] = i
	}
	slices.SortFunc(differential, func(a, b element) int { return cmp.Compare(place[a.id()], place[b.id()]) })
	return differential
}

// resource writes a published resource, a line a member.
type resource struct{ b bytes.Buffer }

func newResource(kind, id, title, description string) *resource {
	w := &resource{}
	fmt.Fprintf(&w.b, "{\n  \"resourceType\": %q", kind)
	w.member("id", id)
	w.member("text", map[string]string{
		"status": "generated",
		"div":    `<div xmlns="http://www.w3.org/1999/xhtml"><p><b>` + title + `</b></p><p>` + description + `</p></div>`,
	})
	return w
}

// standing says what state the resource is in and who publishes it.
func (w *resource) standing() {
	w.member("status", "draft")
	w.member("experimental", false)
	w.member("publisher", publisher)
}

func (w *resource) member(name string, v any) { fmt.Fprintf(&w.b, ",\n  %q: %s", name, raw(v)) }

func (w *resource) elements(name string, list []element) {
	fmt.Fprintf(&w.b, ",\n  %q: {\n    \"element\": [", name)
	for i, e := range list {
		if i > 0 {
			w.b.WriteByte(',')
		}
		fmt.Fprintf(&w.b, "\n      %s", raw(e))
	}
	w.b.WriteString("\n    ]\n  }")
}

func (w *resource) end() []byte {
	w.b.WriteString("\n}\n")
	return w.b.Bytes()
}
