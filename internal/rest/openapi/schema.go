package openapi

import (
	"slices"
	"strings"

	"github.com/getkin/kin-openapi/openapi3"
	"go.yaml.in/yaml/v4"

	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/search"
)

// schemas collects the schemas of R4's types, and of all that they are made of.
type schemas openapi3.Schemas

// newSchemas gives the schemas of the resource types and of what they refer to, and the few
// of bodies and values that are no R4 type.
func newSchemas(types []string) openapi3.Schemas {
	s := schemas{"JSONPatch": {Value: jsonPatch()}}
	for _, name := range types {
		s.add(definitions.R4().Type(name))
	}
	for kind, pattern := range map[search.Kind]string{
		search.Token:     `^[^\s]+( [^\s]+)*$`,
		search.Reference: `^[^\s]+$`,
		search.Date:      `^(eq|ne|gt|lt|ge|le|sa|eb|ap)?[0-9]{4}(-[0-9]{2}(-[0-9]{2}(T[0-9]{2}:[0-9]{2}(:[0-9]{2}(\.[0-9]+)?)?(Z|[+\-][0-9]{2}:[0-9]{2})?)?)?)?$`,
		search.String:    `\S`,
		search.URI:       `^\S+$`,
		search.Quantity:  `^(eq|ne|gt|lt|ge|le|sa|eb|ap)?-?[0-9]{1,20}(\.[0-9]{1,18})?(\|[^\s|]*\|[^\s|]+)?$`,
		search.Composite: `^[^\s$]+\$[^\s$]+$`,
	} {
		values := openapi3.NewArraySchema().WithItems(patterned(pattern))
		values.Description = "Values of a search parameter of type " + kind.String() + ": a comma in one is or, another one is and."
		s["search-"+kind.String()] = openapi3.NewSchemaRef("", values)
	}
	return openapi3.Schemas(s)
}

func refTo(name string) *openapi3.SchemaRef {
	return &openapi3.SchemaRef{Ref: "#/components/schemas/" + name}
}

// add puts a type, and the types of its elements, among the schemas.
func (s schemas) add(t *definitions.Type) {
	if s[t.Name] != nil {
		return
	}
	if t.Kind == definitions.Primitive {
		s[t.Name] = &openapi3.SchemaRef{Value: primitive(t)}
		return
	}
	schema := openapi3.NewObjectSchema()
	schema.Description = "R4 " + t.Name
	schema.ExternalDocs = &openapi3.ExternalDocs{URL: "https://hl7.org/fhir/R4/" + page(t) + ".html"}
	s[t.Name] = &openapi3.SchemaRef{Value: schema}
	if t.Abstract || t.Name == "Extension" { // any resource; any value
		return
	}
	if t.Kind == definitions.Resource {
		schema.WithProperty("resourceType", &openapi3.Schema{Const: t.Name})
		schema.Required = []string{"resourceType"}
	}
	for _, e := range t.Shape.Elements {
		for _, m := range e.Members {
			schema.WithPropertyRef(m.Name, s.member(m))
		}
		if e.Min > 0 && !e.Choice {
			schema.Required = append(schema.Required, e.Name)
		}
	}
	// The companions of primitives, such as _birthDate, and nothing else.
	schema.PatternProperties = openapi3.Schemas{"^_[a-z]": {Value: &openapi3.Schema{Type: &openapi3.Types{"object", "array"}}}}
	schema.WithoutAdditionalProperties()
}

func page(t *definitions.Type) string {
	if t.Kind == definitions.Resource {
		return strings.ToLower(t.Name)
	}
	return "datatypes"
}

// member is the schema of one JSON member; elements that are defined in place are open.
func (s schemas) member(m *definitions.Member) *openapi3.SchemaRef {
	var one *openapi3.SchemaRef
	switch {
	case m.Element.Nested != nil:
		one = openapi3.NewSchemaRef("", openapi3.NewObjectSchema())
	case codes(m.Element) != nil:
		one = openapi3.NewSchemaRef("", openapi3.NewStringSchema().WithEnum(codes(m.Element)...))
	default:
		s.add(m.Type)
		one = refTo(m.Type.Name)
	}
	if !m.Element.Repeats() {
		return one
	}
	list := openapi3.NewArraySchema().WithMinItems(1)
	list.Items = one
	return openapi3.NewSchemaRef("", list)
}

// mostCodes bounds the codes that are written down; longer sets are the service's to check.
const mostCodes = 30

// codes gives the codes of a code element whose value set is required and closed; nil else.
func codes(e *definitions.Element) []any {
	if e.Binding == nil || e.Binding.Strength != "required" || len(e.Types) != 1 || e.Types[0].Code != "code" {
		return nil
	}
	set := definitions.R4().ValueSet(e.Binding.ValueSet)
	if set == nil || set.Open || len(set.Any) > 0 {
		return nil
	}
	var out []any
	for _, system := range set.Systems {
		for _, c := range system.Codes {
			if !slices.Contains(out, any(c)) {
				out = append(out, c)
			}
		}
	}
	if len(out) > mostCodes {
		return nil
	}
	return out
}

// primitive is the schema of a value; the pattern is R4's own.
func primitive(t *definitions.Type) *openapi3.Schema {
	var schema *openapi3.Schema
	switch {
	case t.Name == "boolean":
		return openapi3.NewBoolSchema()
	case t.Name == "decimal":
		schema = &openapi3.Schema{Type: &openapi3.Types{openapi3.TypeNumber}}
		schema.Description = "Its precision is kept: 1.30 is not 1.3."
		return schema
	case t.Is("integer"):
		schema = openapi3.NewIntegerSchema()
		schema.Min, schema.Max = integerBounds(t.Name)
		return schema
	}
	schema = openapi3.NewStringSchema()
	if t.Regex != "" {
		schema.Pattern = "^(" + t.Regex + ")$"
	}
	return schema
}

// integerBounds: R4's integers have 32 bits (hl7.org/fhir/R4/datatypes.html#integer).
func integerBounds(name string) (least, most *float64) {
	low := map[string]float64{"integer": -1 << 31, "unsignedInt": 0, "positiveInt": 1}[name]
	high := float64(1<<31 - 1)
	return &low, &high
}

// jsonPatch is a list of operations of RFC 6902.
func jsonPatch() *openapi3.Schema {
	step := openapi3.NewObjectSchema().
		WithProperty("op", openapi3.NewStringSchema().WithEnum("add", "remove", "replace", "move", "copy", "test")).
		WithProperty("path", patterned("^(/.*)?$")).
		WithProperty("from", patterned("^(/.*)?$")).
		WithPropertyRef("value", openapi3.NewSchemaRef("", &openapi3.Schema{Description: "Any JSON."}))
	step.Required = []string{"op", "path"}
	list := openapi3.NewArraySchema().WithItems(step)
	list.Description = "JSON Patch, RFC 6902"
	return list
}

// asWritten is JSON as YAML that keeps the order of members and the text of numbers.
func asWritten(body []byte) any {
	var node yaml.Node
	if err := yaml.Unmarshal(body, &node); err != nil {
		panic(err) // an example of ours, read by its own tests
	}
	unstyled(&node)
	return node.Content[0]
}

func unstyled(n *yaml.Node) {
	n.Style = 0
	for _, c := range n.Content {
		unstyled(c)
	}
}
