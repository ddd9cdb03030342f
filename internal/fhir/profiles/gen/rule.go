package main

import (
	"strconv"
	"strings"

	"fhirsvc/internal/fhir"
)

// rule is one line of a differential. What is left out is not said.
type rule struct {
	id          string // "Observation.component:diameter.value[x]"
	card        string // "1..1", "0..*"
	short       string
	definition  string
	types       []typeRef
	fixed       *value
	pattern     *value
	slicing     *slicing
	binding     *binding
	constraints []constraint
	must        bool // mustSupport: the service reads or writes it
}

type typeRef struct {
	Code    string   `json:"code"`
	Targets []string `json:"targetProfile,omitempty"`
}

// value is a value of the type in the member's name.
type value struct {
	kind string
	is   any
}

type slicing struct {
	Discriminator []discriminator `json:"discriminator"`
	Rules         string          `json:"rules"`
}

type discriminator struct {
	Type string `json:"type"`
	Path string `json:"path"`
}

type binding struct {
	Strength string `json:"strength"`
	ValueSet string `json:"valueSet"`
}

type constraint struct {
	Key        string `json:"key"`
	Severity   string `json:"severity"`
	Human      string `json:"human"`
	Expression string `json:"expression"`
	Source     string `json:"source"`
}

// element writes the rule as an ElementDefinition; source is the profile's URL.
func (r rule) element(source string) element {
	e := element{}
	e.set("id", r.id)
	e.set("path", pathOf(r.id))
	if _, slice, ok := strings.Cut(r.id[strings.LastIndexByte(r.id, '.')+1:], ":"); ok {
		e.set("sliceName", slice)
	}
	if lo, hi, ok := strings.Cut(r.card, ".."); ok {
		e.set("min", mustCount(lo))
		e.set("max", hi)
	}
	for name, text := range map[string]string{"short": r.short, "definition": r.definition} {
		if text != "" {
			e.set(name, text)
		}
	}
	if len(r.types) > 0 {
		e.set("type", r.types)
	}
	if r.fixed != nil {
		e.set("fixed"+r.fixed.kind, r.fixed.is)
	}
	if r.pattern != nil {
		e.set("pattern"+r.pattern.kind, r.pattern.is)
	}
	if r.slicing != nil {
		e.set("slicing", r.slicing)
	}
	if r.binding != nil {
		e.set("binding", r.binding)
	}
	if len(r.constraints) > 0 {
		e.set("constraint", sourced(r.constraints, source))
	}
	if r.must {
		e.set("mustSupport", true)
	}
	return e
}

func sourced(list []constraint, source string) []constraint {
	var out []constraint
	for _, c := range list {
		c.Source = source
		out = append(out, c)
	}
	return out
}

func mustCount(text string) int {
	n, err := strconv.Atoi(text)
	if err != nil {
		panic(err) // a cardinality of this package
	}
	return n
}

// must is a rule that the content is wrong without; should is one that a person
// reading it would miss.
func must(key, human, expression string) constraint {
	return constraint{Key: key, Severity: "error", Human: human, Expression: expression}
}

func should(key, human, expression string) constraint {
	return constraint{Key: key, Severity: "warning", Human: human, Expression: expression}
}

func of(codes ...string) []typeRef {
	var out []typeRef
	for _, c := range codes {
		out = append(out, typeRef{Code: c})
	}
	return out
}

func referenceTo(types ...string) []typeRef {
	var targets []string
	for _, t := range types {
		targets = append(targets, coreBase+t)
	}
	return []typeRef{{Code: "Reference", Targets: targets}}
}

// coded is a concept that contains the coding, whatever else stands beside it.
func coded(system, code string) *value {
	return &value{"CodeableConcept", map[string]any{"coding": []any{map[string]string{"system": system, "code": code}}}}
}

func local(code fhir.Code) *value { return coded(fhir.SystemLocal, string(code)) }

func fixedCode(code string) *value { return &value{"Code", code} }

// from binds to one of the project's value sets.
func from(strength, set string) *binding { return &binding{strength, valueSetBase + set} }

// byCode tells the items of an element apart by the concept in the element below.
func byCode(path string) *slicing {
	return &slicing{[]discriminator{{"pattern", path}}, "open"}
}

// quantity is an exact amount in the unit, or in one of a value set of units.
func quantity(at string, unit *value, units *binding) []rule {
	return []rule{
		{id: at + ".value", card: "1..1", must: true},
		{id: at + ".comparator", card: "0..0"},
		{id: at + ".system", card: "1..1", fixed: &value{"Uri", fhir.SystemUCUM}, must: true},
		{id: at + ".code", card: "1..1", fixed: unit, binding: units, must: true},
	}
}

// notNegative is of an amount.
func notNegative(key string) []constraint {
	return []constraint{must(key, "An amount is not negative", "value >= 0")}
}
