package mutate

import "encoding/json"

// sample gives a valid value of a primitive type, in its JSON form.
func sample(primitive string) any {
	switch primitive {
	case "boolean":
		return true
	case "integer", "positiveInt", "unsignedInt":
		return json.Number("3")
	case "decimal":
		return json.Number("1.50")
	case "date":
		return "2025-03-04"
	case "dateTime", "instant":
		return "2025-03-04T09:00:00Z"
	case "time":
		return "09:00:00"
	case "base64Binary":
		return "dGV4dA=="
	case "uri", "url", "canonical":
		return "https://fhirsvc.example/fhir/thing"
	case "oid":
		return "urn:oid:1.2.3"
	case "uuid":
		return "urn:uuid:4f2b9f3c-8a55-4d0e-9d0e-0a5b1c2d3e4f"
	case "xhtml":
		return `<div xmlns="http://www.w3.org/1999/xhtml">text</div>`
	case "id":
		return "a1"
	case "code":
		return "a-code"
	}
	return "text"
}

// small gives the least of a data type that is worth having and valid; nil for types
// that are always filled whole.
func small(dataType string) object {
	text, ok := map[string]string{
		"Address":             `{"city": "Anytown"}`,
		"Age":                 `{"value": 4, "unit": "years", "system": "http://unitsofmeasure.org", "code": "a"}`,
		"Annotation":          `{"text": "text"}`,
		"Attachment":          `{"title": "text"}`,
		"CodeableConcept":     `{"text": "text"}`,
		"Coding":              `{"display": "text"}`,
		"ContactDetail":       `{"name": "text"}`,
		"ContactPoint":        `{"system": "phone", "value": "5550100"}`,
		"Dosage":              `{"text": "text"}`,
		"Duration":            `{"value": 4, "unit": "min", "system": "http://unitsofmeasure.org", "code": "min"}`,
		"Expression":          `{"language": "text/fhirpath", "expression": "true"}`,
		"HumanName":           `{"family": "Example"}`,
		"Identifier":          `{"system": "https://fhirsvc.example/id", "value": "1"}`,
		"Money":               `{"value": 4, "currency": "EUR"}`,
		"Period":              `{"start": "2025-03-04"}`,
		"Quantity":            `{"value": 4, "unit": "mL", "system": "http://unitsofmeasure.org", "code": "mL"}`,
		"Range":               `{"low": {"value": 4}}`,
		"Ratio":               `{"numerator": {"value": 4}, "denominator": {"value": 1}}`,
		"Reference":           `{"display": "text"}`,
		"RelatedArtifact":     `{"type": "citation", "citation": "text"}`,
		"Timing":              `{"event": ["2025-03-04"]}`,
		"TriggerDefinition":   `{"type": "named-event", "name": "text"}`,
		"UsageContext":        `{"code": {"system": "http://terminology.hl7.org/CodeSystem/usage-context-type", "code": "age"}, "valueCodeableConcept": {"text": "text"}}`,
		"DataRequirement":     `{"type": "Observation"}`,
		"ParameterDefinition": `{"use": "in", "type": "string"}`,
	}[dataType]
	if !ok {
		return nil
	}
	return fromJSON(text).(object)
}
