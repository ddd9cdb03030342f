package main

import "fhirsvc/internal/fhir"

// protocols are what a unit's protocol, a PlanDefinition, holds beyond R4.
func protocols() []profile { return []profile{parameter()} }

// parameter is the extension that holds one value of a protocol. Which parameters there
// are, in what unit and within what limits, is checked when a protocol is read.
func parameter() profile {
	const part = "Extension.extension:"
	field := func(name, card, short string, types ...string) []rule {
		return []rule{
			{id: part + name, card: card, short: short, must: true},
			{id: part + name + ".extension", card: "0..0"},
			{id: part + name + ".url", fixed: &value{"Uri", name}},
			{id: part + name + ".value[x]", card: "1..1", types: of(types...)},
		}
	}
	rules := []rule{{
		id: "Extension.extension", card: "2..3",
		slicing: &slicing{[]discriminator{{"value", "url"}}, "closed"},
	}}
	rules = append(rules, field("name", "1..1", "Which parameter it is", "code", "string")...)
	rules = append(rules, field("value", "1..1", "Its value, with a UCUM unit where it has one",
		"Quantity", "integer", "decimal", "boolean", "code", "CodeableConcept", "string")...)
	rules = append(rules, field("source", "0..1", "Where the value comes from, for readers", "string")...)
	return profile{
		id: "protocol-parameter", name: "ProtocolParameter", title: "Parameter of a protocol", kind: "Extension", context: "PlanDefinition",
		description: "One value of a unit's protocol for the stepwise release: its name, its value, and where the value comes from.",
		rules: append(rules,
			rule{id: "Extension.url", fixed: &value{"Uri", fhir.ExtensionProtocolParameter}},
			rule{id: "Extension.value[x]", card: "0..0"}),
	}
}
