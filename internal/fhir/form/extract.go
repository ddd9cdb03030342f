package form

import (
	"encoding/json"
	"fmt"

	"fhirsvc/internal/fhir/tree"
)

// Extracted is the Observation that a question tells. Link names it within the response for
// ever, and Path is where it was answered.
type Extracted struct {
	Link string
	Path string

	members map[string]json.RawMessage
}

// About is what all Observations of a response have in common.
type About struct {
	// Response is the reference to the response that they are derived from.
	Response string
	// Found is when they were found if no item says so: a dateTime, "" when not told.
	Found string
}

// Observations gives what a response tells, in the order of the Questionnaire's items. A
// response that does not chart tells nothing. The response must have passed Check.
func (f *Form) Observations(response *tree.Document, path string, about About) []Extracted {
	if !Charts(response.Root.Str("status")) {
		return nil
	}
	x := extractor{form: f, response: response, about: about}
	x.below(f.items, response.Root, path)
	return x.found
}

// Questions gives the linkIds of all questions that tell an Observation, in order.
func (f *Form) Questions() []string { return questions(f.items) }

func questions(items []*item) []string {
	var links []string
	for _, q := range items {
		if q.extract == asObservation {
			links = append(links, q.link)
		}
		if q.kind == "group" {
			links = append(links, questions(q.items)...)
		}
	}
	return links
}

// Body is the Observation with this status, R4 JSON.
func (e Extracted) Body(status string) []byte {
	e.members["resourceType"], e.members["status"] = json.RawMessage(`"Observation"`), quoted(status)
	b, err := json.Marshal(e.members)
	if err != nil {
		panic(err) // every member was read from valid JSON
	}
	return b
}

type extractor struct {
	form     *Form
	response *tree.Document
	about    About
	found    []Extracted
}

// below looks for questions among items, in groups too.
func (x *extractor) below(asked []*item, parent *tree.Node, path string) {
	for _, q := range asked {
		n, at := x.answered(parent, path, q.link)
		switch {
		case n == nil && q.extract != asObservation:
		case q.kind == "group":
			x.below(q.items, n, at)
		case q.extract == asObservation:
			x.observe(q, asked, parent, path)
		}
	}
}

// answered gives the item of a response that has this linkId, and where it is.
func (x *extractor) answered(parent *tree.Node, path, link string) (*tree.Node, string) {
	i := 0
	for n := range parent.Get("item").Items() {
		if n.Str("linkId") == link {
			return n, fmt.Sprintf("%s.item[%d]", path, i)
		}
		i++
	}
	return nil, path
}

// observe makes the Observation of a question, from its own answer or, where there is
// none, from the reason in its group.
func (x *extractor) observe(q *item, group []*item, parent *tree.Node, path string) {
	n, at := x.answered(parent, path, q.link)
	e := Extracted{Link: q.link, Path: at, members: x.common(q)}
	answer := n.Get("answer").At(0)
	missing, where := x.element(group, parent, path, DefinitionMissing)
	switch {
	case answer != nil:
		name, value := x.value(q, answer)
		e.members[name] = value
		if components := x.components(q, answer); len(components) > 0 {
			e.members["component"] = array(components)
		}
	case missing != nil:
		e.members["dataAbsentReason"], e.Path = concept(x.raw(missing)), where
	default:
		return
	}
	if note, _ := x.element(group, parent, path, DefinitionNote); note != nil {
		e.members["note"] = array([]json.RawMessage{object("text", x.raw(note))})
	}
	x.found = append(x.found, e)
}

// element gives the value that answers an element of the Observation among some items.
func (x *extractor) element(asked []*item, parent *tree.Node, path, definition string) (*tree.Node, string) {
	for _, q := range asked {
		if q.definition != definition {
			continue
		}
		n, at := x.answered(parent, path, q.link)
		if v := n.Get("answer").At(0).Get(kinds()[q.kind]); v != nil {
			return v, at
		}
	}
	return nil, path
}

// common are the members that do not come from the answer.
func (x *extractor) common(q *item) map[string]json.RawMessage {
	root := x.response.Root
	m := map[string]json.RawMessage{
		"code":        object("coding", x.fromForm(q.code)),
		"derivedFrom": array([]json.RawMessage{object("reference", quoted(x.about.Response))}),
	}
	if q.category != nil {
		m["category"] = array([]json.RawMessage{x.fromForm(q.category)})
	}
	for _, name := range []string{"subject", "encounter"} {
		if n := root.Get(name); n != nil {
			m[name] = x.raw(n)
		}
	}
	if n := root.Get("author"); n != nil && performs(n) {
		m["performer"] = array([]json.RawMessage{x.raw(n)})
	}
	var parts []json.RawMessage
	for n := range root.Get("partOf").Items() {
		parts = append(parts, x.raw(n))
	}
	if len(parts) > 0 {
		m["partOf"] = array(parts)
	}
	found, _ := x.element(x.form.items, root, "", DefinitionFound)
	switch {
	case found != nil:
		m["effectiveDateTime"] = x.raw(found)
	case x.about.Found != "":
		m["effectiveDateTime"] = quoted(x.about.Found)
	}
	if site, _ := x.element(x.form.items, root, "", DefinitionSite); site != nil {
		m["bodySite"] = concept(x.raw(site))
	}
	return m
}
