package conformance

import (
	"sort"
	"strconv"
	"strings"

	"fhirsvc/internal/fhir/definitions"
)

// violation breaks one invariant of a resource type, starting from a seed.
type violation struct {
	key  string            // the invariant, and after "/" which way it is broken; or "class: what"
	seed string            // name of the seed
	set  map[string]string // path of members and indexes to JSON; "" takes the member away
}

// Classes of what is not made by rule from an element's definition.
const (
	invariantClass  = "invariant"  // a published invariant is broken
	attachmentClass = "attachment" // size or hash are not those of the data
	bundleClass     = "bundle"     // what R4 says of Bundles in words
	vitalClass      = "vital-sign" // a vital sign that does not fit its published profile
)

// violate adds one entry of the table.
func (m *mutator) violate(v violation) {
	s := seedNamed(v.seed)
	m.from, m.root = s, s.make()
	root := clone(m.root).(object)
	for _, path := range sortedKeys(v.set) {
		set(root, path, v.set[path])
	}
	class, what, ok := strings.Cut(v.key, ": ")
	if !ok {
		class, what = invariantClass, v.key
	}
	m.add(class, what, toJSON(root))
}

func seedNamed(name string) seedOf {
	for _, s := range seeds() {
		if s.name == name {
			return s
		}
	}
	panic("no seed " + name)
}

// set writes or deletes at a path such as "contact/0/name".
func set(root object, path, text string) {
	var steps []any
	for step := range strings.SplitSeq(path, "/") {
		if n, err := strconv.Atoi(step); err == nil {
			steps = append(steps, n)
			continue
		}
		steps = append(steps, step)
	}
	last := len(steps) - 1
	parent := find(root, steps[:last])
	if list, ok := parent.([]any); ok {
		list[steps[last].(int)] = fromJSON(text)
		return
	}
	if text == "" {
		delete(parent.(object), steps[last].(string))
		return
	}
	parent.(object)[steps[last].(string)] = fromJSON(text)
}

// attachment makes size and hash disagree with the data (hl7.org/fhir/R4/datatypes.html#attachment:
// size is "the number of bytes of data that make up this attachment (before base64
// encoding)", hash "the calculated hash of the data using SHA-1").
func (m *mutator) attachment(p place) {
	if p.member.Type.Name == "Attachment" {
		m.edit(attachmentClass, p.element.Path+"/size", p, func(o object) { p.value(o).(object)["size"] = fromJSON(`5`) })
		m.edit(attachmentClass, p.element.Path+"/hash", p, func(o object) {
			p.value(o).(object)["hash"] = "2jmj7l5rSw0yVb/vlWAYkK/YBwk=" // of no bytes at all
		})
	}
}

// everywhere breaks the invariants that every resource has: those of elements,
// extensions, references, narratives and contained resources.
func (m *mutator) everywhere() {
	resource := func(key, path, text string) {
		root := clone(m.root).(object)
		set(root, path, text)
		m.add(invariantClass, key, toJSON(root))
	}
	resource("ele-1", "meta", `{"id": "a1"}`)
	resource("ext-1/neither", "meta/extension", `[{"url": "https://fhirsvc.example/any"}]`)
	resource("ext-1/both", "meta/extension", `[{"url": "https://fhirsvc.example/any", "valueString": "a", "extension": [{"url": "b", "valueString": "c"}]}]`)
	if m.root["text"] == nil {
		return
	}
	for _, bad := range narratives() {
		div := toJSON(`<div xmlns="http://www.w3.org/1999/xhtml">` + bad.inner + `</div>`)
		if bad.whole != "" {
			div = toJSON(bad.whole)
		}
		resource(bad.key, "text/div", string(div))
	}
	resource("ref-1", "extension/0/valueReference/reference", `"#nobody"`)
	resource("dom-2", "contained/0/contained", `[{"resourceType": "Organization", "id": "c2", "name": "text"}]`)
	resource("dom-3", "extension", "")
	resource("dom-4/version", "contained/0/meta", `{"versionId": "1"}`)
	resource("dom-4/updated", "contained/0/meta", `{"lastUpdated": "2025-03-04T09:00:00Z"}`)
	resource("dom-5", "contained/0/meta", `{"security": [{"system": "http://terminology.hl7.org/CodeSystem/v3-Confidentiality", "code": "R"}]}`)
}

// narrative is a div that R4 forbids.
type narrative struct{ key, inner, whole string }

// narratives break txt-1 and txt-2 (hl7.org/fhir/R4/narrative.html#xhtml).
func narratives() []narrative {
	return []narrative{
		{key: "txt-1/script", inner: `<script>alert(1)</script>text`},
		{key: "txt-1/handler", inner: `<p onclick="alert(1)">text</p>`},
		{key: "txt-1/form", inner: `<form action="a"><input name="a"/></form>text`},
		{key: "txt-1/object", inner: `<object data="a">text</object>`},
		{key: "txt-1/iframe", inner: `<iframe src="https://fhirsvc.example">text</iframe>`},
		{key: "txt-1/link", inner: `<link rel="stylesheet" href="a"/>text`},
		{key: "txt-1/base", inner: `<base href="https://fhirsvc.example"/>text`},
		{key: "txt-1/root", whole: `<p xmlns="http://www.w3.org/1999/xhtml">text</p>`},
		{key: "txt-1/namespace", whole: `<div>text</div>`},
		{key: "txt-1/unclosed", inner: `<p>text`},
		{key: "txt-1/entity", inner: `text&nosuch;`},
		{key: "txt-1/text-only", whole: `text`},
		{key: "txt-2/empty", inner: ``},
		{key: "txt-2/space", inner: " \n\t"},
		{key: "txt-2/tags", inner: `<p></p>`},
	}
}

// dataTypes breaks the invariants of the data types that the seed has, each at its
// first place.
func (m *mutator) dataTypes() {
	done := map[string]bool{}
	for _, p := range places(m.root) {
		name := p.member.Type.Name
		if p.element.Path == "Timing.repeat" {
			name = p.element.Path
		}
		if done[name] || p.element.Nested != nil && name != "Timing.repeat" {
			continue
		}
		done[name] = true
		for _, bad := range dataTypeViolations(name) {
			m.edit(invariantClass, bad.key+"/"+name, p, func(o object) { p.put(o, fromJSON(bad.json)) })
		}
	}
}

// violableTypes are the data types that have invariants of their own.
func violableTypes() []string {
	return []string{
		"Age", "Attachment", "ContactPoint", "Count", "DataRequirement", "Distance", "Duration", "Expression",
		"Period", "Quantity", "Range", "Ratio", "Timing.repeat", "TriggerDefinition",
	}
}

type dataTypeViolation struct{ key, json string }

// dataTypeViolations gives values of a data type that break its invariants
// (hl7.org/fhir/R4/datatypes.html and metadatatypes.html).
func dataTypeViolations(name string) []dataTypeViolation {
	const ucum = `"system": "http://unitsofmeasure.org"`
	switch name {
	case "Age":
		return []dataTypeViolation{
			{"age-1", `{"value": 4}`},
			{"age-1/negative", `{"value": -4, ` + ucum + `, "code": "a"}`},
			{"age-1/system", `{"value": 4, "system": "https://fhirsvc.example/units", "code": "a"}`},
			{"qty-3", `{"value": 4, "code": "a"}`},
		}
	case "Attachment":
		return []dataTypeViolation{{"att-1", `{"data": "dGV4dA=="}`}}
	case "ContactPoint":
		return []dataTypeViolation{{"cpt-2", `{"value": "5550100"}`}}
	case "Count":
		return []dataTypeViolation{
			{"cnt-3/code", `{"value": 4, ` + ucum + `, "code": "mL"}`}, {"cnt-3/fraction", `{"value": 1.5, ` + ucum + `, "code": "1"}`},
		}
	case "Distance":
		return []dataTypeViolation{{"dis-1/code", `{"value": 4}`}, {"dis-1/system", `{"value": 4, "system": "https://fhirsvc.example/units", "code": "m"}`}}
	case "DataRequirement":
		return []dataTypeViolation{
			{"drq-1/neither", `{"type": "Observation", "codeFilter": [{"valueSet": "https://fhirsvc.example/fhir/ValueSet/any"}]}`},
			{"drq-1/both", `{"type": "Observation", "codeFilter": [{"path": "code", "searchParam": "code"}]}`},
			{"drq-2/neither", `{"type": "Observation", "dateFilter": [{"valueDateTime": "2025"}]}`},
			{"drq-2/both", `{"type": "Observation", "dateFilter": [{"path": "issued", "searchParam": "date"}]}`},
		}
	case "Duration":
		return []dataTypeViolation{
			{"drt-1/value", `{` + ucum + `, "code": "min"}`},
			{"drt-1/system", `{"value": 4, "system": "https://fhirsvc.example/units", "code": "min"}`},
			{"qty-3", `{"value": 4, "code": "min"}`},
		}
	case "Expression":
		return []dataTypeViolation{{"exp-1", `{"language": "text/fhirpath"}`}}
	case "Period":
		return []dataTypeViolation{
			{"per-1/day", `{"start": "2025-03-05", "end": "2025-03-04"}`},
			{"per-1/zone", `{"start": "2025-03-04T09:00:00Z", "end": "2025-03-04T09:30:00+01:00"}`},
			{"per-1/second", `{"start": "2025-03-04T09:00:01Z", "end": "2025-03-04T09:00:00Z"}`},
		}
	case "Quantity":
		return []dataTypeViolation{{"qty-3", `{"value": 4, "code": "mL"}`}}
	case "Range":
		return []dataTypeViolation{{"rng-2", `{"low": {"value": 5, ` + ucum + `, "code": "mL"}, "high": {"value": 4, ` + ucum + `, "code": "mL"}}`}}
	case "Ratio":
		return []dataTypeViolation{{"rat-1/half", `{"numerator": {"value": 4}}`}, {"rat-1/neither", `{"id": "a"}`}}
	case "TriggerDefinition":
		return []dataTypeViolation{
			{"trd-1", `{"type": "data-added", "data": [{"type": "Observation"}], "timingDate": "2025-03-04"}`},
			{"trd-2", `{"type": "named-event", "name": "a", "condition": {"language": "text/fhirpath", "expression": "true"}}`},
			{"trd-3/named", `{"type": "named-event"}`},
			{"trd-3/periodic", `{"type": "periodic"}`},
			{"trd-3/data", `{"type": "data-added"}`},
		}
	case "Timing.repeat":
		return []dataTypeViolation{
			{"tim-1", `{"duration": 5}`},
			{"tim-2", `{"period": 15}`},
			{"tim-4", `{"duration": -5, "durationUnit": "min"}`},
			{"tim-5", `{"period": -5, "periodUnit": "min"}`},
			{"tim-6", `{"frequency": 1, "periodMax": 5}`},
			{"tim-7", `{"frequency": 1, "durationMax": 5}`},
			{"tim-8", `{"countMax": 5}`},
			{"tim-9/alone", `{"offset": 5}`},
			{"tim-9/meal", `{"offset": 5, "when": ["C"]}`},
			{"tim-10", `{"timeOfDay": ["09:00:00"], "when": ["MORN"]}`},
		}
	}
	return nil
}

func sortedKeys[T any](m map[string]T) []string {
	out := make([]string, 0, len(m))
	for k := range m {
		out = append(out, k)
	}
	sort.Strings(out)
	return out
}

// applying gives the keys of all error-level invariants that apply somewhere within
// the types that mutants are made of, the native ones of R4 included.
func applying() map[string]bool {
	keys := map[string]bool{"ele-1": true, "dom-2": true, "dom-3": true, "dom-4": true, "dom-5": true}
	seen := map[*definitions.Shape]bool{}
	var visit func(cs []definitions.Constraint, s *definitions.Shape)
	visit = func(cs []definitions.Constraint, s *definitions.Shape) {
		for _, c := range cs {
			if !c.Warning {
				keys[c.Key] = true
			}
		}
		if s == nil || seen[s] {
			return
		}
		seen[s] = true
		for _, e := range s.Elements {
			visit(e.Constraints, e.Nested)
			if e.Nested != nil {
				continue
			}
			for _, m := range e.Members {
				if m.Type.Kind != definitions.Resource {
					visit(m.Type.Constraints, &m.Type.Shape)
				}
			}
		}
	}
	for _, name := range Types() {
		t := definitions.R4().Type(name)
		visit(t.Constraints, &t.Shape)
	}
	return keys
}
