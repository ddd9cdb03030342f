package guide

import "fhirsvc/internal/fhir"

// translation is R4 ConceptMap (hl7.org/fhir/R4/conceptmap.html).
type translation struct {
	header
	Copyright string  `json:"copyright"`
	Group     []group `json:"group"`
}

type group struct {
	Source  string   `json:"source"`
	Target  string   `json:"target"`
	Element []source `json:"element"`
}

type source struct {
	Code    string   `json:"code"`
	Display string   `json:"display"`
	Target  []target `json:"target"`
}

type target struct {
	Code        string `json:"code"`
	Display     string `json:"display"`
	Equivalence string `json:"equivalence"`
	Comment     string `json:"comment,omitempty"`
}

// conceptMap says which standard codes stand beside the local ones or are read as them.
func conceptMap() translation {
	m := translation{
		header: newHeader("ConceptMap", "radial-compression", "RadialCompressionToStandard", "Local codes to standard codes",
			"Which published codes the service writes beside its local ones (equivalent, wider) and which it reads as them (narrower)."),
		Copyright: "This map includes content from the SNOMED CT Global Patient Set, which is copyright SNOMED International and " +
			"used under CC BY 4.0, and codes of the ATC classification of the WHO Collaborating Centre for Drug Statistics Methodology.",
	}
	at := map[string]int{}
	for _, row := range fhir.Mappings() {
		i, known := at[row.Standard.System]
		if !known {
			i = len(m.Group)
			at[row.Standard.System] = i
			m.Group = append(m.Group, group{Source: fhir.SystemLocal, Target: row.Standard.System})
		}
		m.Group[i].add(row)
	}
	return m
}

// add puts a row below its code; the rows of one code stand together.
func (g *group) add(row fhir.Mapping) {
	if n := len(g.Element); n == 0 || g.Element[n-1].Code != string(row.Code) {
		g.Element = append(g.Element, source{Code: string(row.Code), Display: row.Code.Display()})
	}
	t := target{Code: row.Standard.Code, Display: row.Standard.Display, Equivalence: string(row.Relation)}
	if row.Relation == fhir.RelationNarrower {
		t.Comment = "Read as the local code; what more it says is not kept." // cmd-1: narrower needs a comment
	}
	last := &g.Element[len(g.Element)-1]
	last.Target = append(last.Target, t)
}
