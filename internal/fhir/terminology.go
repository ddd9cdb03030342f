package fhir

import (
	"slices"

	"fhirsvc/internal/workflow"
)

// Terminology decides which standard codings stand beside the local ones. The zero
// value keeps to what may be shipped to anybody: LOINC, DICOM, and the SNOMED CT Global
// Patient Set (CC BY 4.0). What is read does not depend on it.
type Terminology struct {
	// FullSNOMED is true where the site holds a SNOMED CT licence: codings outside the
	// Global Patient Set are then written, too.
	FullSNOMED bool
}

// standard is a published coding; inGPS says whether SNOMED CT's Global Patient Set has
// it (true for other systems).
type standard struct {
	Coding
	inGPS bool
}

func sct(code, display string) standard {
	return standard{Coding{System: SystemSNOMED, Code: code, Display: display}, true}
}

func sctLicensed(code, display string) standard {
	return standard{Coding{System: SystemSNOMED, Code: code, Display: display}, false}
}

func loinc(code, display string) standard {
	return standard{Coding{System: SystemLOINC, Code: code, Display: display}, true}
}

func dcm(code, display string) standard {
	return standard{Coding{System: SystemDICOM, Code: code, Display: display}, true}
}

// term is one row of a mapping: a value of the core, and the codings that mean it.
type term[T ~string] struct {
	value   T
	local   Code       // written first; read
	same    []standard // mean the value: written, and read
	broader []standard // mean less than the value: written beside the local code, never read
	also    []standard // mean the value or more: read, never written
}

// concept writes a row. When nothing may be written, the text says it.
func (m term[T]) concept(t Terminology) CodeableConcept {
	var c CodeableConcept
	if m.local != "" {
		c.Coding = append(c.Coding, m.local.Coding())
	}
	for _, s := range slices.Concat(m.same, m.broader) {
		if s.inGPS || t.FullSNOMED {
			c.Coding = append(c.Coding, s.Coding)
		}
	}
	if len(c.Coding) == 0 {
		c.Text = string(m.value)
	}
	return c
}

// means reports whether the concept has a coding of the row that is enough by itself.
func (m term[T]) means(c CodeableConcept) bool {
	if m.local != "" && m.local.In(c) {
		return true
	}
	for _, s := range slices.Concat(m.same, m.also) {
		if c.Has(s.System, s.Code) {
			return true
		}
	}
	return false
}

func write[T ~string](rows []term[T], v T, t Terminology) CodeableConcept {
	for _, m := range rows {
		if m.value == v {
			return m.concept(t)
		}
	}
	return CodeableConcept{Text: string(v)}
}

func read[T ~string](rows []term[T], c CodeableConcept) (T, bool) {
	for _, m := range rows {
		if m.means(c) {
			return m.value, true
		}
	}
	return "", false
}

// Finding writes Observation.code.
func (t Terminology) Finding(f workflow.FindingCode) CodeableConcept { return write(findings(), f, t) }

// ReadFinding reads Observation.code; false when it is none of the bedside findings.
func ReadFinding(c CodeableConcept) (workflow.FindingCode, bool) {
	return read(findings(), c)
}

// Answer writes the coded value of a finding.
func (t Terminology) Answer(f workflow.FindingCode, a workflow.Answer) CodeableConcept {
	return write(answers(f), a, t)
}

// ReadAnswer reads the coded value of a finding; false when the finding has no such
// answer.
func ReadAnswer(f workflow.FindingCode, c CodeableConcept) (workflow.Answer, bool) {
	return read(answers(f), c)
}

// Method writes how patency was tested.
func (t Terminology) Method(m workflow.Method) CodeableConcept { return write(methods(), m, t) }

// ReadMethod reads how patency was tested.
func ReadMethod(c CodeableConcept) (workflow.Method, bool) { return read(methods(), c) }

// Task writes Task.code.
func (t Terminology) Task(k workflow.TaskCode) CodeableConcept { return write(tasks(), k, t) }

// ReadTask reads Task.code.
func ReadTask(c CodeableConcept) (workflow.TaskCode, bool) { return read(tasks(), c) }

// Lateness writes Task.businessStatus; only for what is not in time.
func (t Terminology) Lateness(l workflow.Lateness) CodeableConcept { return write(latenesses(), l, t) }

// Order writes ServiceRequest.code.
func (t Terminology) Order(o workflow.OrderCode) CodeableConcept { return write(orders(), o, t) }

// ReadOrder reads ServiceRequest.code.
func ReadOrder(c CodeableConcept) (workflow.OrderCode, bool) { return read(orders(), c) }

// Flag writes Flag.code.
func (t Terminology) Flag(f workflow.FlagCode) CodeableConcept { return write(flags(), f, t) }

// ReadFlag reads Flag.code.
func ReadFlag(c CodeableConcept) (workflow.FlagCode, bool) { return read(flags(), c) }

// Issue writes DetectedIssue.code.
func (t Terminology) Issue(i workflow.IssueCode) CodeableConcept { return write(issues(), i, t) }

// ReadIssue reads DetectedIssue.code.
func ReadIssue(c CodeableConcept) (workflow.IssueCode, bool) { return read(issues(), c) }

// Kind writes what kind of procedure a protocol is for.
func (t Terminology) Kind(k workflow.ProcedureKind) CodeableConcept { return write(kinds(), k, t) }

// ReadKind reads Procedure.code or a protocol's use context. An intervention counts
// before a diagnostic procedure that was done in the same session.
func ReadKind(c CodeableConcept) (workflow.ProcedureKind, bool) { return read(kinds(), c) }

// PlanCategory writes CarePlan.category.
func (t Terminology) PlanCategory() CodeableConcept {
	return term[Code]{local: CodeReleasePlan, broader: []standard{
		sctLicensed("734163000", "Care plan (record artifact)"),
	}}.concept(t)
}
