package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
)

// element is an ElementDefinition, member by member.
type element map[string]json.RawMessage

// members is the order of ElementDefinition's members in JSON; a name that ends with a star
// stands for a choice of types (hl7.org/fhir/R4/elementdefinition.html).
func members() []string {
	return []string{
		"id", "extension", "path", "representation", "sliceName", "sliceIsConstraining", "label", "code", "slicing",
		"short", "definition", "min", "max", "base", "contentReference", "type", "defaultValue*", "meaningWhenMissing",
		"orderMeaning", "fixed*", "pattern*", "minValue*", "maxValue*", "maxLength", "condition", "constraint",
		"mustSupport", "isModifier", "isModifierReason", "isSummary", "binding",
	}
}

// undocumented members are left out of snapshots: they explain R4 and say nothing of
// what an instance may hold.
func undocumented() []string {
	return []string{"mapping", "comment", "requirements", "alias", "example"}
}

func (e element) text(name string) string {
	var s string
	if json.Unmarshal(e[name], &s) != nil {
		return ""
	}
	return s
}

func (e element) id() string { return e.text("id") }

func (e element) set(name string, v any) { e[name] = raw(v) }

// rename gives a copy of the element for another place in the tree.
func (e element) rename(from, to string) element {
	c := make(element, len(e))
	for k, v := range e {
		if !slices.Contains(undocumented(), k) {
			c[k] = v
		}
	}
	id := to + strings.TrimPrefix(e.id(), from)
	c.set("id", id)
	c.set("path", pathOf(id))
	return c
}

// pathOf gives the path that belongs to an id: the same without the slices' names.
func pathOf(id string) string {
	steps := strings.Split(id, ".")
	for i, s := range steps {
		steps[i], _, _ = strings.Cut(s, ":")
	}
	return strings.Join(steps, ".")
}

// overlay puts what a differential says over the element. Constraints add up.
func (e element) overlay(d element) {
	for k, v := range d {
		if k == "constraint" && e[k] != nil {
			var before, more []json.RawMessage
			mustParse(e[k], &before)
			mustParse(v, &more)
			v = raw(append(before, more...))
		}
		e[k] = v
	}
}

// types gives the codes of the element's types.
func (e element) types() []string {
	var list []struct {
		Code string `json:"code"`
	}
	if e["type"] != nil {
		mustParse(e["type"], &list)
	}
	var out []string
	for _, t := range list {
		out = append(out, t.Code)
	}
	return out
}

// MarshalJSON writes the members in their published order.
func (e element) MarshalJSON() ([]byte, error) {
	var b bytes.Buffer
	written := 0
	for _, name := range members() {
		for _, k := range e.like(name) {
			if written++; written > 1 {
				b.WriteByte(',')
			}
			fmt.Fprintf(&b, "%q:%s", k, e[k])
		}
	}
	if written != len(e) {
		return nil, fmt.Errorf("element %s has a member without a place in the order", e.id())
	}
	return append(append([]byte{'{'}, b.Bytes()...), '}'), nil
}

// like gives the members of a name, or of a choice of types.
func (e element) like(name string) []string {
	stem, choice := strings.CutSuffix(name, "*")
	if !choice {
		if e[name] != nil {
			return []string{name}
		}
		return nil
	}
	for k := range e {
		if strings.HasPrefix(k, stem) && len(k) > len(stem) && k[len(stem)] >= 'A' && k[len(stem)] <= 'Z' {
			return []string{k}
		}
	}
	return nil
}

// raw writes a value of this program as JSON.
func raw(v any) json.RawMessage {
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(v); err != nil {
		panic(err) // texts, numbers and their lists always marshal
	}
	return bytes.TrimSpace(b.Bytes())
}

// mustParse reads what the published package or this program wrote.
func mustParse(body json.RawMessage, v any) {
	if err := json.Unmarshal(body, v); err != nil {
		panic(fmt.Errorf("%s: %w", body, err))
	}
}
