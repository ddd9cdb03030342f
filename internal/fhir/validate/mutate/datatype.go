package mutate

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
