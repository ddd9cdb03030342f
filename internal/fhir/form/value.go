package form

import (
	"encoding/json"
	"strings"

	"fhirsvc/internal/fhir/tree"
)

// value is the value[x] of an Observation or component: a number with its unit as a
// Quantity, a choice as a concept, all else as it was answered. Numbers keep their text.
func (x *extractor) value(q *item, answer *tree.Node) (name string, value json.RawMessage) {
	element := kinds()[q.kind]
	v := answer.Get(element)
	switch {
	case q.kind == "choice":
		return "valueCodeableConcept", concept(x.raw(v))
	case q.unit != nil:
		unit := q.unit.Str("display")
		if unit == "" {
			unit = q.unit.Str("code")
		}
		return "valueQuantity", marshal(struct {
			Value  json.RawMessage `json:"value"`
			Unit   string          `json:"unit"`
			System string          `json:"system"`
			Code   string          `json:"code"`
		}{x.raw(v), unit, q.unit.Str("system"), q.unit.Str("code")})
	case q.kind == "decimal":
		return "valueQuantity", object("value", x.raw(v))
	}
	return element, x.raw(v)
}

// components are the answers that belong to the answer of a question.
func (x *extractor) components(q *item, answer *tree.Node) []json.RawMessage {
	var list []json.RawMessage
	for _, part := range q.items {
		n, _ := x.answered(answer, "", part.link)
		a := n.Get("answer").At(0)
		if part.extract != asComponent || a == nil {
			continue
		}
		name, value := x.value(part, a)
		list = append(list, marshal(map[string]json.RawMessage{"code": object("coding", x.fromForm(part.code)), name: value}))
	}
	return list
}

// performs reports whether who wrote a response can stand in Observation.performer: R4
// allows no device there.
func performs(author *tree.Node) bool {
	kind, _, _ := strings.Cut(author.Str("reference"), "/")
	return kind != "Device" && author.Str("type") != "Device"
}

func (x *extractor) raw(n *tree.Node) json.RawMessage { return json.RawMessage(x.response.Raw(n)) }

func (x *extractor) fromForm(n *tree.Node) json.RawMessage { return json.RawMessage(x.form.doc.Raw(n)) }

// concept is a CodeableConcept of one coding.
func concept(coding json.RawMessage) json.RawMessage {
	return object("coding", array([]json.RawMessage{coding}))
}

func object(name string, value json.RawMessage) json.RawMessage {
	return marshal(map[string]json.RawMessage{name: value})
}

func array(items []json.RawMessage) json.RawMessage { return marshal(items) }

func quoted(s string) json.RawMessage { return marshal(s) }

func marshal(v any) json.RawMessage {
	b, err := json.Marshal(v)
	if err != nil {
		panic(err) // texts, and what was read from valid JSON
	}
	return b
}
