package conformance

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"fhirsvc/internal/fhir/definitions"
)

// Mutants gives the seeds, each valid, and everything that is made from them by
// breaking one rule of the definitions, in the same order each time.
func Mutants() []Case {
	m := &mutator{done: map[string]bool{}, formats: map[string]int{}}
	for _, s := range seeds() {
		m.seed(s)
	}
	for _, v := range violations() {
		m.violate(v)
	}
	return m.cases
}

type mutator struct {
	cases   []Case
	from    seedOf
	root    object
	done    map[string]bool // what a seed of the same type had already
	formats map[string]int  // how many of a primitive's bad values had their turn
}

func (m *mutator) seed(s seedOf) {
	m.from, m.root = s, s.make()
	m.cases = append(m.cases, Case{ID: "seed/" + s.name, Class: Seed, Type: s.typ, Body: toJSON(m.root)})
	shapes := map[*definitions.Shape]bool{}
	for _, p := range places(m.root) {
		if !shapes[p.shape] {
			shapes[p.shape] = true
			m.shape(p)
		}
		m.element(p)
	}
	m.dataTypes()
	m.everywhere()
}

// add adds a case, but once for each type of resource. What breaks JSON's own rules
// within a data type is added once for the whole corpus.
func (m *mutator) add(class, what string, body []byte) {
	id := fmt.Sprintf("%s/%s/%s", m.from.typ, class, what)
	key := id
	if oncePerDataType(class) && !strings.HasPrefix(what, m.from.typ+".") {
		key = class + "/" + what
	}
	if m.done[key] {
		return
	}
	m.done[key] = true
	m.cases = append(m.cases, Case{ID: id, Class: class, Type: m.from.typ, Body: body})
}

func oncePerDataType(class string) bool {
	return slices.Contains([]string{"array", "companion", "duplicate-key", "empty", "null"}, class)
}

// edit adds the case that f makes at a place.
func (m *mutator) edit(class, what string, p place, f func(object)) {
	m.add(class, what, toJSON(change(m.root, p.path, f)))
}

// shape breaks an object as such.
func (m *mutator) shape(p place) {
	at, _, _ := cutLast(p.element.Path, ".")
	m.edit("unknown-element", at, p, func(o object) { o["unknownElement"] = "text" })
	twice := toJSON(change(m.root, p.path, func(o object) { o["\x7f"+p.member.Name] = o[p.member.Name] }))
	m.add("duplicate-key", p.element.Path, bytes.ReplaceAll(twice, []byte("\x7f"), nil))
}

// element breaks one element in every way that its definition allows.
func (m *mutator) element(p place) {
	path, name := p.element.Path, p.member.Name
	if p.element.Min > 0 {
		m.edit("required", path, p, func(o object) { delete(o, name) })
	}
	m.edit("json-type", path, p, func(o object) { p.put(o, wrongType(p, p.value(o))) })
	m.edit("null", path, p, func(o object) { p.put(o, nil) })
	m.edit("empty", path, p, func(o object) { p.put(o, emptied(p.value(o))) })
	if p.element.Repeats() {
		m.edit("array", path, p, func(o object) { o[name] = p.value(o) })
		m.edit("empty", path+"/array", p, func(o object) { o[name] = []any{} })
	} else {
		m.edit("array", path, p, func(o object) { o[name] = []any{o[name]} })
		m.edit("cardinality", path, p, func(o object) { o[name] = []any{o[name], clone(o[name])} })
	}
	m.choice(p)
	m.companion(p)
	m.format(p)
	m.binding(p)
	m.target(p)
	if whole, ok := p.value(find(m.root, p.path).(object)).(object); ok && whole["hash"] != nil {
		m.attachment(p)
	}
}

func (m *mutator) choice(p place) {
	e := p.element
	if !e.Choice {
		return
	}
	for _, other := range e.Members {
		if other != p.member && other.Type.Kind == definitions.Primitive {
			m.edit("choice", e.Path+"/twice", p, func(o object) { o[other.Name] = sample(other.Type.Name) })
			break
		}
	}
	if len(e.Members) < 40 { // value[x] of Extension and its like may be anything
		for _, t := range []string{"Money", "Signature"} {
			if !slices.ContainsFunc(e.Members, func(m *definitions.Member) bool { return m.Type.Name == t }) {
				m.edit("choice", e.Path+"/type", p, func(o object) {
					delete(o, p.member.Name)
					o[e.Name+t] = fromJSON(`{"value": 1}`)
				})
				return
			}
		}
	}
}

// companion breaks the "_name" member beside a primitive.
func (m *mutator) companion(p place) {
	e, name := p.element, p.member.Name
	if p.member.Type.Kind != definitions.Primitive {
		m.edit("companion", e.Path, p, func(o object) { o["_"+name] = fromJSON(`{"id": "a"}`) })
		return
	}
	if name == "div" || e.Name == "id" || e.Path == "Extension.url" {
		return
	}
	m.edit("companion", e.Path, p, func(o object) { o["_"+name] = "text" })
}

// format gives each element the first bad value of its primitive type, and each
// further bad value one place in the whole corpus.
func (m *mutator) format(p place) {
	if p.member.Type.Kind != definitions.Primitive {
		return
	}
	name := p.member.Type.Name
	bad := badValues(name)
	if len(bad) == 0 {
		return
	}
	turns := []int{0}
	if p.element.Binding == nil || p.element.Binding.Strength != "required" {
		m.formats[name]++
		if n := m.formats[name]; n < len(bad) {
			turns = append(turns, n)
		}
	}
	for _, n := range turns {
		what := p.element.Path
		if n > 0 {
			what += fmt.Sprintf("/%s-%d", name, n)
		}
		m.edit("format", what, p, func(o object) { p.put(o, fromJSON(bad[n])) })
	}
}

// binding writes a wrong code where a value set is required.
func (m *mutator) binding(p place) {
	b := p.element.Binding
	if b == nil || b.Strength != "required" || definitions.R4().ValueSet(b.ValueSet) == nil {
		return
	}
	path := p.element.Path
	switch p.member.Type.Name {
	case "code", "string", "uri":
		m.edit("binding", path, p, func(o object) { p.put(o, "no-such-code") })
	case "Coding":
		m.edit("binding", path, p, func(o object) { p.value(o).(object)["code"] = "no-such-code" })
		m.edit("binding", path+"/system", p, func(o object) { p.value(o).(object)["system"] = "https://fhirsvc.example/no-such-system" })
	case "CodeableConcept":
		m.edit("binding", path, p, func(o object) { find(p.value(o), []any{"coding", 0}).(object)["code"] = "no-such-code" })
		m.edit("binding", path+"/system", p, func(o object) {
			find(p.value(o), []any{"coding", 0}).(object)["system"] = "https://fhirsvc.example/no-such-system"
		})
		m.edit("binding", path+"/text", p, func(o object) { p.put(o, fromJSON(`{"text": "text"}`)) })
	}
}

// target writes a reference to a type that is not allowed.
func (m *mutator) target(p place) {
	if p.member.Type.Name != "Reference" || p.member.Ref == nil {
		return
	}
	wrong := wrongTarget(p.member.Ref.Targets)
	if wrong == "" {
		return
	}
	path := p.element.Path
	m.edit("reference-target", path, p, func(o object) { p.put(o, object{"reference": wrong + "/a1"}) })
	m.edit("reference-target", path+"/absolute", p, func(o object) {
		p.put(o, object{"reference": "https://fhirsvc.example/fhir/" + wrong + "/a1"})
	})
	if !slices.Contains(p.member.Ref.Targets, "Organization") && m.root["contained"] != nil {
		m.edit("reference-target", path+"/contained", p, func(o object) { p.put(o, object{"reference": "#c1"}) })
	}
}

// wrongTarget gives a resource type that is not among the allowed; "" when all are.
func wrongTarget(allowed []string) string {
	if len(allowed) == 0 || slices.Contains(allowed, "Resource") {
		return ""
	}
	for _, t := range []string{"Account", "Slot"} {
		if !slices.Contains(allowed, t) {
			return t
		}
	}
	return ""
}

// wrongType gives a value of a JSON type that the element never has.
func wrongType(p place, v any) any {
	switch v := v.(type) {
	case string:
		return json.Number("7")
	case json.Number:
		return v.String()
	case bool:
		return fmt.Sprint(v)
	case object:
		return "text"
	}
	panic(fmt.Sprintf("%s is a %T", p.element.Path, v))
}

// emptied gives the empty value of the same JSON type; for a boolean or number, which
// have none, an empty object.
func emptied(v any) any {
	if _, ok := v.(string); ok {
		return ""
	}
	return object{}
}

// cutLast is strings.Cut at the last separator.
func cutLast(s, sep string) (before, after string, found bool) {
	i := strings.LastIndex(s, sep)
	if i < 0 {
		return s, "", false
	}
	return s[:i], s[i+len(sep):], true
}
