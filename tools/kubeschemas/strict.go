package main

import (
	"maps"
	"strings"
)

// Keywords of OpenAPI that hold no schema of their own and say nothing of what is valid,
// or that JSON Schema does not know.
var dropped = []string{"description", "default", "example", "format", "nullable", "externalDocs"}

// named mends the two definitions whose OpenAPI form is narrower than what the API takes:
// both may be written as a number or as a text.
// Source: the comments of Quantity and IntOrString in k8s.io/apimachinery.
func named(name string, schema map[string]any) map[string]any {
	either := func(number string) map[string]any {
		return map[string]any{"type": []any{"string", number}}
	}
	switch {
	case strings.HasSuffix(name, ".resource.Quantity"):
		return either("number")
	case strings.HasSuffix(name, ".intstr.IntOrString"):
		return either("integer")
	}
	return schema
}

// strict makes a JSON Schema of an OpenAPI one: references by refer, and no property but
// those that are named where any are.
func strict(schema map[string]any, refer func(name string) string) map[string]any {
	out := map[string]any{}
	maps.Copy(out, schema)
	for _, key := range dropped {
		delete(out, key)
	}
	open := schema["x-kubernetes-preserve-unknown-fields"] == true
	for key, value := range schema {
		switch key {
		case "$ref":
			out[key] = refer(strings.TrimPrefix(value.(string), "#/components/schemas/"))
		case "properties":
			inner := map[string]any{}
			for name, of := range value.(map[string]any) {
				inner[name] = strict(of.(map[string]any), refer)
			}
			out[key] = inner
		case "items", "additionalProperties", "not":
			if of, is := value.(map[string]any); is { // additionalProperties may be true
				out[key] = strict(of, refer)
			}
		case "allOf", "anyOf", "oneOf":
			var inner []any
			for _, of := range value.([]any) {
				inner = append(inner, strict(of.(map[string]any), refer))
			}
			out[key] = inner
		default:
			if strings.HasPrefix(key, "x-kubernetes-") {
				delete(out, key)
			}
		}
	}
	_, listed := schema["properties"]
	if _, said := schema["additionalProperties"]; listed && !said && !open {
		out["additionalProperties"] = false
	}
	// A reference with words beside it is written as allOf of one.
	if all, is := out["allOf"].([]any); is && len(all) == 1 && len(out) == 1 {
		return all[0].(map[string]any)
	}
	return out
}
