package mutate

import "fhirsvc/internal/fhir/definitions"

// seedOf says what a seed is made of. A type has several where elements exclude one
// another.
type seedOf struct {
	name   string
	typ    string
	values map[string]string
}

// Seeds gives the seeds, by type, the fullest of each type first.
func Seeds() []Seed {
	var out []Seed
	for _, t := range Types() {
		for _, v := range variants(t) {
			out = append(out, Seed{v.name, toJSON(build(definitions.R4(), v.typ, v.values))})
		}
	}
	return out
}

// variants gives the seeds of one type.
func variants(typ string) []seedOf {
	first := seedOf{typ, typ, map[string]string{}}
	switch typ {
	case "AuditEvent":
		first.values["AuditEvent.entity.query"] = ""
		return []seedOf{first, {"AuditEvent-query", typ, map[string]string{"AuditEvent.entity.name": ""}}}
	case "Bundle":
		return bundles()
	case "CarePlan":
		first.values["CarePlan.activity.reference"] = ""
		return []seedOf{first, {"CarePlan-reference", typ, map[string]string{"CarePlan.activity.detail": ""}}}
	case "CapabilityStatement":
		first.values["CapabilityStatement.name"] = `"Seed"`
		first.values["CapabilityStatement.kind"] = `"instance"`
		first.values["CapabilityStatement.fhirVersion"] = `"4.0.1"`
		first.values["CapabilityStatement.format"] = `["application/fhir+json"]`
		first.values["CapabilityStatement.patchFormat"] = `["application/json-patch+json"]`
	case "PlanDefinition":
		first.values["PlanDefinition.name"] = `"Seed"`
	case "Observation":
		first.values["Observation.dataAbsentReason"] = ""
		return []seedOf{first, {"Observation-absent", typ, map[string]string{"Observation.value[x]": ""}}}
	case "Patient":
		first.values["Patient.communication.language"] = english
	case "Practitioner":
		first.values["Practitioner.communication"] = "[" + english + "]"
	}
	return []seedOf{first}
}

const english = `{"coding": [{"system": "urn:ietf:bcp:47", "code": "en"}]}`

// bundles are valid Bundles of the types that have rules of their own.
func bundles() []seedOf {
	const (
		patient = `"fullUrl": "https://fhirsvc.example/fhir/Patient/a1", "resource": {"resourceType": "Patient", "id": "a1", "active": true}`
		header  = `"fullUrl": "urn:uuid:4f2b9f3c-8a55-4d0e-9d0e-0a5b1c2d3e4f", "resource": {"resourceType": "MessageHeader", "eventUri": "https://fhirsvc.example/event", "source": {"endpoint": "https://fhirsvc.example/source"}, "focus": [{"reference": "https://fhirsvc.example/fhir/Patient/a1"}]}`
		page    = `"fullUrl": "urn:uuid:5f2b9f3c-8a55-4d0e-9d0e-0a5b1c2d3e4f", "resource": {"resourceType": "Composition", "status": "final", "type": {"text": "text"}, "date": "2025-03-04", "author": [{"reference": "https://fhirsvc.example/fhir/Patient/a1"}], "title": "text"}`
		ask     = `"request": {"method": "PUT", "url": "Patient/a1", "ifNoneMatch": "W/\"1\"", "ifModifiedSince": "2025-03-04T09:00:00Z", "ifMatch": "W/\"1\"", "ifNoneExist": "identifier=1"}`
		answer  = `"response": {"status": "200 OK", "location": "Patient/a1/_history/1", "etag": "W/\"1\"", "lastModified": "2025-03-04T09:00:00Z", "outcome": {"resourceType": "OperationOutcome", "issue": [{"severity": "information", "code": "informational"}]}}`
		link    = `"link": [{"relation": "alternate", "url": "https://fhirsvc.example/fhir/Patient/a1"}]`
		match   = `"search": {"mode": "match", "score": 0.5}`
	)
	one := func(name, kind, total string, entries ...string) seedOf {
		list := ""
		for i, e := range entries {
			if i > 0 {
				list += ", "
			}
			list += "{" + e + "}"
		}
		return seedOf{name, "Bundle", map[string]string{
			"Bundle.type": `"` + kind + `"`, "Bundle.total": total, "Bundle.entry": "[" + list + "]",
			"Bundle.link": `[{"relation": "self", "url": "https://fhirsvc.example/fhir/Patient"}]`,
		}}
	}
	return []seedOf{
		one("Bundle", "searchset", "1", patient+", "+link+", "+match),
		one("Bundle-history", "history", "1", patient+", "+ask+", "+answer),
		one("Bundle-transaction", "transaction", "", patient+", "+ask),
		one("Bundle-transaction-response", "transaction-response", "", patient+", "+answer),
		one("Bundle-message", "message", "", header, patient),
		one("Bundle-document", "document", "", page, patient),
		one("Bundle-collection", "collection", "", patient),
	}
}

// common says what elements that all types share must be so that the invariants hold
// wherever they stand. "Resource." stands for the type at hand.
func common() map[string]string {
	const any = `"system": "https://fhirsvc.example/fhir/CodeSystem/any", "code": "a"`
	return map[string]string{
		"Resource.id":        `"a1"`,
		"Resource.language":  `"en"`,
		"Resource.text":      `{"status": "generated", "div": "<div xmlns=\"http://www.w3.org/1999/xhtml\">text</div>"}`,
		"Resource.contained": `[{"resourceType": "Organization", "id": "c1", "name": "text"}]`,
		"Resource.extension": `[{"url": "https://fhirsvc.example/fhir/StructureDefinition/any", "valueReference": {"reference": "#c1"}}]`,

		"Age":                    `{"value": 4, "unit": "years", "system": "http://unitsofmeasure.org", "code": "a"}`,
		"Attachment.contentType": `"text/plain"`,
		"Attachment.language":    `"en"`,
		"Attachment.size":        `4`,
		"Attachment.hash":        `"Ny6gjKsz5xwCxlHbyDpHTTLGduo="`,
		"Coding.code":            `"a"`,
		"Coding.system":          `"https://fhirsvc.example/fhir/CodeSystem/any"`,
		"DataRequirement": `{"type": "Observation", "profile": ["http://hl7.org/fhir/StructureDefinition/Observation"],
			"subjectCodeableConcept": {"text": "text"}, "mustSupport": ["code"],
			"codeFilter": [{"path": "code", "code": [{` + any + `}]}], "dateFilter": [{"path": "issued", "valueDateTime": "2025-03-04"}],
			"limit": 1, "sort": [{"path": "issued", "direction": "ascending"}]}`,
		"Duration":              `{"value": 4, "unit": "min", "system": "http://unitsofmeasure.org", "code": "min"}`,
		"Expression.expression": `"true"`,
		"Expression.language":   `"text/fhirpath"`,
		"Expression.name":       `"a1"`,
		"Identifier.assigner":   `{"display": "text"}`,
		"Meta.profile":          "",
		"Money.currency":        `"EUR"`,
		"Period":                `{"start": "2025-03-04", "end": "2025-03-05"}`,
		"Quantity.code":         `"mL"`,
		"Quantity.system":       `"http://unitsofmeasure.org"`,
		"Quantity.unit":         `"mL"`,
		"Range":                 `{"low": {"value": 4}, "high": {"value": 5}}`,
		"Reference.identifier":  `{"system": "https://fhirsvc.example/id", "value": "1"}`,
		"TriggerDefinition": `{"type": "data-added", "name": "text", "data": [{"type": "Observation"}],
			"condition": {"language": "text/fhirpath", "expression": "true"}}`,
		"Timing": `{"event": ["2025-03-04"], "code": {"text": "text"}, "repeat": {"boundsPeriod": {"start": "2025-03-04"},
			"count": 2, "countMax": 3, "duration": 5, "durationMax": 6, "durationUnit": "min", "frequency": 1, "frequencyMax": 2,
			"period": 15, "periodMax": 20, "periodUnit": "min", "dayOfWeek": ["mon"], "timeOfDay": ["09:00:00"]}}`,
		"UsageContext": `{"code": {"system": "http://terminology.hl7.org/CodeSystem/usage-context-type", "code": "age"},
			"valueCodeableConcept": {"text": "text"}}`,
	}
}
