package fhir

import "slices"

// Relation is a code of http://hl7.org/fhir/concept-map-equivalence: what the standard
// code is beside the local one.
type Relation string

// The relations in use.
const (
	RelationEquivalent Relation = "equivalent"
	RelationWider      Relation = "wider"    // the standard code says less
	RelationNarrower   Relation = "narrower" // the standard code says more, and is read as the local one
)

// Mapping is a standard coding that stands beside a local code, or is read as one.
type Mapping struct {
	Code     Code
	Standard Coding
	Relation Relation
}

// Mappings gives the standard codings of the local codes, each pair once, in the order in
// which the code system has the codes. SNOMED CT codes outside the Global Patient Set are
// left out: they may not be shipped to everybody.
func Mappings() []Mapping {
	all := slices.Concat(mapped(findings()), mapped(methods()), mapped(tasks()), mapped(flags()), mapped(issues()))
	for _, f := range findings() {
		all = append(all, mapped(answers(f.value))...)
	}
	for _, p := range handParts() {
		all = append(all, mapped(p.answers)...)
	}
	all = append(all, readAs(kinds())...)
	all = append(all, readAs(drugs())...)
	all = append(all, readByATC()...)

	place := map[Code]int{}
	for i, c := range Concepts() {
		place[c.Code] = i
	}
	slices.SortStableFunc(all, func(a, b Mapping) int { return place[a.Code] - place[b.Code] })
	return once(all)
}

// mapped gives what is written beside the local codes of a table.
func mapped[T ~string](rows []term[T]) []Mapping {
	var out []Mapping
	for _, m := range rows {
		out = append(out, related(m.local, m.same, RelationEquivalent)...)
		out = append(out, related(m.local, m.broader, RelationWider)...)
	}
	return out
}

// readAs gives what is read as the local codes of a table.
func readAs[T ~string](rows []term[T]) []Mapping {
	var out []Mapping
	for _, m := range rows {
		out = append(out, related(m.local, m.also, RelationNarrower)...)
	}
	return out
}

func related(local Code, list []standard, is Relation) []Mapping {
	var out []Mapping
	for _, s := range list {
		if local != "" && s.inGPS {
			out = append(out, Mapping{local, s.Coding, is})
		}
	}
	return out
}

// readByATC gives the groups and substances of the ATC classification that are read as
// a kind of anticoagulant.
func readByATC() []Mapping {
	var out []Mapping
	for _, d := range drugs() {
		for _, row := range atcRows() {
			if row.drug == d.value {
				out = append(out, Mapping{d.local, Coding{System: SystemATC, Code: row.code, Display: row.name}, RelationNarrower})
			}
		}
	}
	return out
}

// once leaves out what stands before.
func once(list []Mapping) []Mapping {
	var out []Mapping
	for _, m := range list {
		if !slices.Contains(out, m) {
			out = append(out, m)
		}
	}
	return out
}
