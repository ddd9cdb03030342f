package fhir

import (
	"encoding/json"

	"fhirsvc/internal/fhir/form"
	"fhirsvc/internal/workflow"
)

// ask gives a question the type, options and units of a finding, and its parts.
func (q *questionnaireItem) ask(f workflow.FindingCode) {
	switch f {
	case workflow.AirVolume, workflow.AirRemoved, workflow.AirAdded:
		q.amount(UnitMillilitre)
	case workflow.CompressionStart:
		q.Type = "dateTime"
	case workflow.Pain:
		q.Type = "integer"
		q.Extension = append(q.Extension, unitOf(UnitScore), limit(form.ExtensionMinimum, "0"), limit(form.ExtensionMaximum, "10"))
	case workflow.Pressure:
		q.amount(UnitPressure)
		q.Extension = append(q.Extension, Extension{URL: form.ExtensionCategory, ValueCodeableConcept: &CodeableConcept{Coding: []Coding{
			{System: "http://terminology.hl7.org/CodeSystem/observation-category", Code: "vital-signs", Display: "Vital Signs"},
		}}})
	case workflow.Bleeding, workflow.Patency, workflow.Pulse, workflow.Band, workflow.Haematoma, workflow.Hand, workflow.Condition:
		q.Type, q.AnswerOption = "choice", options(offered(answers(f)))
	case workflow.Anticoagulant, workflow.OtherFinding: // charted otherwise, asked for by no Task
	}
	q.Item = partsOf(f)
}

// amount makes the question one of a number in a unit that is not below nothing.
func (q *questionnaireItem) amount(unit string) {
	q.Type = "decimal"
	q.Extension = append(q.Extension, unitOf(unit), Extension{URL: form.ExtensionMinimum, ValueDecimal: "0"})
}

func unitOf(unit string) Extension {
	return Extension{URL: form.ExtensionUnit, ValueCoding: &Coding{System: SystemUCUM, Code: unit, Display: unit}}
}

func limit(url string, n json.Number) Extension { return Extension{URL: url, ValueInteger: n} }

// offered gives one coding for each answer of a table, the one that the service writes. Of
// several rows that mean the same, the first is offered.
func offered[T ~string](rows []term[T]) []Coding {
	var list []Coding
	seen := map[T]bool{}
	for _, m := range rows {
		if seen[m.value] {
			continue
		}
		seen[m.value] = true
		if m.local != "" {
			list = append(list, m.local.Coding())
			continue
		}
		list = append(list, m.same[0].Coding)
	}
	return list
}

// partsOf are the components of a finding.
func partsOf(f workflow.FindingCode) []questionnaireItem {
	switch f { //nolint:exhaustive // the others have no parts
	case workflow.Patency:
		return []questionnaireItem{
			choice(f, CodePatencyMethod.Coding(), offered(methods())),
			choice(f, CodeBarbeauType.Coding(), codings(CodeBarbeauA, CodeBarbeauB, CodeBarbeauC, CodeBarbeauD)),
		}
	case workflow.Haematoma:
		diameter := part(f, CodeHaematomaDiameter.Coding())
		diameter.amount(UnitCentimetre)
		return []questionnaireItem{
			diameter, choice(f, CodeHaematomaGrade.Coding(), codings(CodeGradeI, CodeGradeII, CodeGradeIII, CodeGradeIV, CodeGradeV)),
		}
	case workflow.Hand:
		var list []questionnaireItem
		for _, p := range handParts() {
			if p.code.Code == loincRefill {
				refill := part(f, p.code)
				refill.amount(UnitSecond)
				list = append(list, refill)
				continue
			}
			list = append(list, choice(f, p.code, offered(p.answers)))
		}
		return list
	}
	return nil
}

// part is a question that becomes a component of its finding.
func part(f workflow.FindingCode, code Coding) questionnaireItem {
	return questionnaireItem{
		LinkID: findingCoding(f).Code + "." + code.Code, Code: []Coding{code}, Text: code.Display,
		Extension: []Extension{{URL: form.ExtensionExtract, ValueCode: "component"}},
	}
}

func choice(f workflow.FindingCode, code Coding, list []Coding) questionnaireItem {
	q := part(f, code)
	q.Type, q.AnswerOption = "choice", options(list)
	return q
}

func codings(codes ...Code) []Coding {
	var list []Coding
	for _, c := range codes {
		list = append(list, c.Coding())
	}
	return list
}
