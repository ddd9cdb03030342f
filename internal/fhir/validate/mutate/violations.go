package mutate

// violations break the invariants of the resource types, and those of types that stand
// only in an extension here (hl7.org/fhir/R4, each resource's page, "Constraints").
func violations() []violation {
	one := func(key, seed string, set ...string) violation {
		v := violation{key, seed, map[string]string{}}
		for i := 0; i < len(set); i += 2 {
			v.set[set[i]] = set[i+1]
		}
		return v
	}
	list := append(bundleViolations(one), vitalSignViolations(one)...)
	for _, name := range violableTypes() {
		for _, bad := range dataTypeViolations(name) {
			member := `"value` + name + `": ` + bad.json
			if name == "Timing.repeat" {
				member = `"valueTiming": {"repeat": ` + bad.json + `}`
			}
			list = append(list, one(bad.key+"/in-extension/"+name, "Patient", "contained", "",
				"extension/0", `{"url": "https://fhirsvc.example/fhir/StructureDefinition/any", `+member+`}`))
		}
	}
	return append(list, []violation{
		one("cpb-1", "CapabilityStatement", "rest", "", "messaging", "", "document", ""),
		one("cpb-2", "CapabilityStatement", "kind", `"requirements"`, "description", "", "software", "", "implementation", "", "messaging/0/endpoint", ""),
		one("cpb-3", "CapabilityStatement", "kind", `"requirements"`, "software", "", "implementation", ""),
		one("cpb-7", "CapabilityStatement", "document", `[{"mode": "producer", "profile": "https://fhirsvc.example/a"}, {"mode": "producer", "profile": "https://fhirsvc.example/a"}]`),
		one("cpb-9", "CapabilityStatement", "rest/0/resource", `[{"type": "Task"}, {"type": "Task"}]`),
		one("cpb-12", "CapabilityStatement", "rest/0/resource/0/searchParam", `[{"name": "a", "type": "token"}, {"name": "a", "type": "token"}]`),
		one("cpb-14", "CapabilityStatement", "implementation", ""),
		one("cpb-15/implementation", "CapabilityStatement", "kind", `"capability"`, "messaging/0/endpoint", ""),
		one("cpb-15/software", "CapabilityStatement", "kind", `"capability"`, "messaging/0/endpoint", "", "implementation", "", "software", ""),
		one("cpb-16", "CapabilityStatement", "kind", `"requirements"`, "messaging/0/endpoint", ""),
		one("cpl-3", "CarePlan", "activity/0/reference", `{"reference": "Task/a1"}`),
		one("inv-1", "Task", "authoredOn", `"2025-03-05"`, "lastModified", `"2025-03-04"`),
		one("inv-1/zone", "Task", "authoredOn", `"2025-03-04T09:00:00Z"`, "lastModified", `"2025-03-04T09:30:00+01:00"`),
		one("mad-1", "MedicationAdministration", "dosage", `{"text": "text"}`),
		one("obs-3", "Observation", "referenceRange", `[{"type": {"text": "text"}}]`),
		one("obs-6", "Observation", "dataAbsentReason", `{"text": "text"}`),
		one("obs-7", "Observation", "code", `{"coding": [{"system": "https://fhirsvc.example/a", "code": "a"}]}`,
			"component", `[{"code": {"coding": [{"system": "https://fhirsvc.example/a", "code": "a"}]}, "valueString": "text"}]`),
		one("pat-1", "Patient", "contact", `[{"gender": "female"}]`),
		one("sev-1", "AuditEvent", "entity/0/query", `"dGV4dA=="`),
		one("prr-1", "ServiceRequest", "code", ""),
	}...)
}

func bundleViolations(one func(key, seed string, set ...string) violation) []violation {
	return []violation{
		one("bdl-1", "Bundle-collection", "total", `1`),
		one("bdl-2", "Bundle-collection", "entry/0/search", `{"mode": "match"}`),
		one("bdl-3/missing", "Bundle-transaction", "entry/0/request", ""),
		one("bdl-3/unwanted", "Bundle", "entry/0/request", `{"method": "GET", "url": "Patient/a1"}`),
		one("bdl-4/missing", "Bundle-transaction-response", "entry/0/response", ""),
		one("bdl-4/unwanted", "Bundle", "entry/0/response", `{"status": "200"}`),
		one("bdl-5", "Bundle-collection", "entry/0/resource", ""),
		one("bdl-7", "Bundle-collection", "entry", `[{"fullUrl": "https://fhirsvc.example/fhir/Patient/a1", "resource": {"resourceType": "Patient", "id": "a1"}}, {"fullUrl": "https://fhirsvc.example/fhir/Patient/a1", "resource": {"resourceType": "Patient", "id": "a1"}}]`),
		one("bdl-8", "Bundle-collection", "entry/0/fullUrl", `"https://fhirsvc.example/fhir/Patient/a1/_history/1"`),
		one("bdl-9/missing", "Bundle-document", "identifier", ""),
		one("bdl-9/system", "Bundle-document", "identifier/system", ""),
		one("bdl-10", "Bundle-document", "timestamp", ""),
		one("bdl-11", "Bundle-document", "entry/0", `{"fullUrl": "https://fhirsvc.example/fhir/Patient/b1", "resource": {"resourceType": "Patient", "id": "b1", "active": true}}`),
		one("bdl-12", "Bundle-message", "entry/0", `{"fullUrl": "https://fhirsvc.example/fhir/Patient/b1", "resource": {"resourceType": "Patient", "id": "b1", "active": true}}`),

		one("bundle: focus of a message outside", "Bundle-message", "entry/0/resource/focus", `[{"reference": "https://fhirsvc.example/fhir/Patient/b1"}]`),
		one("bundle: fullUrl relative", "Bundle-collection", "entry/0/fullUrl", `"Patient/a1"`),
		one("bundle: fullUrl of another id", "Bundle-collection", "entry/0/fullUrl", `"https://fhirsvc.example/fhir/Patient/b1"`),
		one("bundle: fullUrl of another type", "Bundle-collection", "entry/0/fullUrl", `"https://fhirsvc.example/fhir/Practitioner/a1"`),
		one("bundle: fullUrl no UUID", "Bundle-collection", "entry/0/fullUrl", `"urn:uuid:a1"`),
		one("bundle: fullUrl missing", "Bundle-collection", "entry/0/fullUrl", ""),
		one("bundle: outcome that is none", "Bundle", "entry/0/search/mode", `"outcome"`),
		one("bundle: result without id", "Bundle", "entry/0/resource/id", "", "entry/0/fullUrl", `"urn:uuid:4f2b9f3c-8a55-4d0e-9d0e-0a5b1c2d3e4f"`),
		one("bundle: link twice", "Bundle", "link", `[{"relation": "self", "url": "https://fhirsvc.example/a"}, {"relation": "self", "url": "https://fhirsvc.example/b"}]`),
	}
}

// vitalSignViolations break the published profiles of heart rate and blood pressure
// (hl7.org/fhir/R4/observation-vitalsigns.html).
func vitalSignViolations(one func(key, seed string, set ...string) violation) []violation {
	const rate, pressure = "heart rate", "blood pressure"
	component := func(code, unit string) string {
		return `{"code": {"coding": [{"system": "http://loinc.org", "code": "` + code + `"}]}, "valueQuantity":
			{"value": 80, "unit": "mmHg", "system": "http://unitsofmeasure.org", "code": "` + unit + `"}}`
	}
	vital := func(kind, what string, set ...string) violation {
		v := one("vital-sign: "+kind+"/"+what, "Observation", "meta/profile", `["http://hl7.org/fhir/StructureDefinition/heartrate"]`,
			"category", `[{"coding": [{"system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": "vital-signs"}]}]`,
			"code", `{"coding": [{"system": "http://loinc.org", "code": "8867-4"}]}`,
			"component", "", "subject", `{"reference": "Patient/a1"}`,
			"valueQuantity", `{"value": 72, "unit": "beats/minute", "system": "http://unitsofmeasure.org", "code": "/min"}`)
		if kind == pressure {
			v.set["meta/profile"] = `["http://hl7.org/fhir/StructureDefinition/bp"]`
			v.set["code"] = `{"coding": [{"system": "http://loinc.org", "code": "85354-9"}]}`
			v.set["valueQuantity"] = ""
			v.set["component"] = "[" + component("8480-6", "mm[Hg]") + "," + component("8462-4", "mm[Hg]") + "]"
		}
		for i := 0; i < len(set); i += 2 {
			v.set[set[i]] = set[i+1]
		}
		return v
	}
	return []violation{
		vital(rate, "no category", "category", ""),
		vital(rate, "other category", "category", `[{"coding": [{"system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": "exam"}]}]`),
		vital(rate, "other code", "code", `{"coding": [{"system": "http://loinc.org", "code": "9279-1"}]}`),
		vital(rate, "no subject", "subject", ""),
		vital(rate, "no time", "effectiveDateTime", ""),
		vital(rate, "time of a year", "effectiveDateTime", `"2025"`),
		vital(rate, "no value, no reason", "valueQuantity", "", "hasMember", ""),
		vital(rate, "text for a value", "valueQuantity", "", "valueString", `"72"`),
		vital(rate, "other unit", "valueQuantity/code", `"1/s"`),
		vital(rate, "other system of units", "valueQuantity/system", `"https://fhirsvc.example/units"`),
		vital(rate, "no unit", "valueQuantity/unit", ""),
		vital(pressure, "no diastolic", "component", "["+component("8480-6", "mm[Hg]")+"]"),
		vital(pressure, "systolic twice", "component", "["+component("8480-6", "mm[Hg]")+","+component("8480-6", "mm[Hg]")+","+component("8462-4", "mm[Hg]")+"]"),
		vital(pressure, "other unit", "component", "["+component("8480-6", "kPa")+","+component("8462-4", "mm[Hg]")+"]"),
		vital(pressure, "no components", "component", ""),
	}
}
