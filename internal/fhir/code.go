package fhir

import "strings"

// Code is a code of the local code system, SystemLocal.
type Code string

// Coding gives the code with its system and display.
func (c Code) Coding() Coding {
	return Coding{System: SystemLocal, Code: string(c), Display: c.Display()}
}

// Concept gives the code as the only coding.
func (c Code) Concept() CodeableConcept { return CodeableConcept{Coding: []Coding{c.Coding()}} }

// In reports whether the concept has the code.
func (c Code) In(x CodeableConcept) bool { return x.Has(SystemLocal, string(c)) }

// Pascal gives a name for programs: "band-removal" is BandRemoval.
func (c Code) Pascal() string {
	var b strings.Builder
	for word := range strings.SplitSeq(string(c), "-") {
		b.WriteString(strings.ToUpper(word[:1]) + word[1:])
	}
	return b.String()
}

// Events that a message tells.
const (
	CodeProcedureCompleted Code = "procedure-completed"
	CodePatientMoved       Code = "patient-moved"
	CodeEncounterEnded     Code = "encounter-ended"
)

// Kinds of Task. Those of the core have the same spelling as workflow.TaskCode.
const (
	CodeArrivalCheck       Code = "arrival-check"
	CodeRecordBandVolume   Code = "record-band-volume"
	CodeTitration          Code = "titration"
	CodePatencyCheck       Code = "patency-check"
	CodeSiteCheck          Code = "site-check"
	CodeReleaseStep        Code = "release-step"
	CodeRestoreCompression Code = "restore-compression"
	CodeEaseCompression    Code = "ease-compression"
	CodeBandRemoval        Code = "band-removal"
	CodeDressing           Code = "dressing"
	CodePostRemovalCheck   Code = "post-removal-check"
	CodeControlBleeding    Code = "control-bleeding"
	CodeBandApplication    Code = "band-application"
	CodeConfirmBandState   Code = "confirm-band-state"
	CodeSettleVolume       Code = "settle-volume"
	CodeDischargeCheck     Code = "discharge-check"
	CodePatientTeaching    Code = "patient-teaching"
	CodeUlnarCompression   Code = "ulnar-compression"
	CodeClinicianReview    Code = "clinician-review"
)

// Types of Task.input and the kinds of lateness in Task.businessStatus.
const (
	CodePlannedVolume   Code = "planned-volume"
	CodeRequiredFinding Code = "required-finding"
	CodeQuestionnaire   Code = "questionnaire"

	CodeDueSoon   Code = "due-soon"
	CodeOverdue   Code = "overdue"
	CodeEscalated Code = "escalated"
)

// Bedside findings: Observation.code.
const (
	CodeAccessSiteBleeding  Code = "access-site-bleeding"
	CodeRadialPatencyTest   Code = "radial-patency-test"
	CodeBandAirVolume       Code = "band-air-volume"
	CodeBandAirRemoved      Code = "band-air-removed"
	CodeBandAirAdded        Code = "band-air-added"
	CodeCompressionStart    Code = "compression-start"
	CodeBandState           Code = "band-state"
	CodeAccessSiteHaematoma Code = "access-site-haematoma"
	CodeHandCheck           Code = "hand-check"
	CodeGeneralCondition    Code = "general-condition"
	CodeSheathSize          Code = "sheath-size"
)

// Parts of findings: Observation.component.code, and what a Device tells.
const (
	CodeTitrated          Code = "titrated"
	CodePatencyMethod     Code = "patency-method"
	CodeProbeFinger       Code = "probe-finger"
	CodeArteryCompressed  Code = "artery-compressed"
	CodeBarbeauType       Code = "barbeau-type"
	CodeHaematomaDiameter Code = "haematoma-diameter"
	CodeHaematomaGrade    Code = "haematoma-grade"
	CodeHandSensation     Code = "hand-sensation"
	CodeHandMovement      Code = "hand-movement"
	CodeHandSwelling      Code = "hand-swelling"
	CodeHandPain          Code = "hand-pain"
	CodeBandMaximumVolume Code = "band-maximum-volume"
	CodeCompressionBand   Code = "radial-compression-band"
)

// Answers.
const (
	CodePatent   Code = "patent"
	CodeOccluded Code = "occluded"

	CodeWaveformUlnarCompressed Code = "waveform-ulnar-compressed"
	CodeWaveform                Code = "waveform"
	CodeDoppler                 Code = "doppler"
	CodeDuplex                  Code = "duplex"

	CodeBandOn           Code = "on"
	CodeBandDisplaced    Code = "displaced"
	CodeBandOverUlnar    Code = "over-ulnar"
	CodeBandOff          Code = "off"
	CodeBandReplaced     Code = "replaced"
	CodeBandNeverApplied Code = "never-applied"

	CodeWell      Code = "well"
	CodeFaint     Code = "faint"
	CodeCollapsed Code = "collapsed"
	CodeChestPain Code = "chest-pain"

	CodeNumb     Code = "numb"
	CodeTingling Code = "tingling"

	CodeBarbeauA Code = "A"
	CodeBarbeauB Code = "B"
	CodeBarbeauC Code = "C"
	CodeBarbeauD Code = "D"

	CodeGradeI   Code = "I"
	CodeGradeII  Code = "II"
	CodeGradeIII Code = "III"
	CodeGradeIV  Code = "IV"
	CodeGradeV   Code = "V"

	// CodeCouldNotAssess stands in Observation.dataAbsentReason, beside the published
	// codes: somebody tried and could not tell.
	CodeCouldNotAssess Code = "could-not-assess"
)

// Sites of access that no standard code was found for.
const (
	CodeDistalRadialRight Code = "distal-radial-right"
	CodeDistalRadialLeft  Code = "distal-radial-left"
)

// Kinds of anticoagulant, as a protocol names them; they have the spelling of
// workflow.Drug.
const (
	CodeHeparin               Code = "heparin"
	CodeGlycoproteinInhibitor Code = "glycoprotein-inhibitor"
	CodeOtherAnticoagulant    Code = "other-anticoagulant"
)

// What a protocol is for, where R4 has no context of its own:
// PlanDefinition.useContext.code, and the two routes that it may name.
const (
	CodeAccessSide  Code = "access-side"
	CodeAccessRoute Code = "access-route"
	CodeGivenDrug   Code = "given-drug"

	CodeWristRadial  Code = "wrist-radial"
	CodeDistalRadial Code = "distal-radial"
)

// Orders: ServiceRequest.code.
const (
	CodeHold            Code = "hold"
	CodeResume          Code = "resume"
	CodePauseRelease    Code = "pause-release"
	CodeOverrideTime    Code = "override-time"
	CodeOverrideVolume  Code = "override-volume"
	CodeAdjustVolume    Code = "adjust-volume"
	CodeContinueToEmpty Code = "continue-to-empty"
	CodeNoBandPlan      Code = "no-band-plan"
	CodeStopPlan        Code = "stop-plan"
)

// Warnings: Flag.code. Those of bleeding and of a haematoma have the spelling of the
// finding that raises them.
const (
	CodeBandVolumeInDoubt Code = "band-volume-in-doubt"
	CodeNotPatent         Code = "radial-artery-not-patent"
	CodeBandTimeExceeded  Code = "band-time-exceeded"
	CodeConfirmAtBedside  Code = "confirm-at-bedside"
	CodeHandNotNormal     Code = "hand-not-normal"
	CodePatientUnwell     Code = "patient-unwell"
)

// Contradictions: DetectedIssue.code, with the spelling of workflow.IssueCode.
const (
	CodeVolumeContradiction  Code = "volume-contradiction"
	CodeChartedTwice         Code = "charted-twice"
	CodeBleedingAndNotPatent Code = "bleeding-and-not-patent"
)

// Tags on resources, and other markings.
const (
	CodeUnplaced     Code = "unplaced"
	CodeNotStored    Code = "not-stored"
	CodeReleasePlan  Code = "compression-release-plan" // CarePlan.category
	CodeHandover     Code = "hand-over"                // Composition.type
	CodeTimeline     Code = "timeline"                 // DocumentReference.type
	CodeDiagnostic   Code = "diagnostic"               // protocol applicability
	CodeIntervention Code = "intervention"
	CodeAnyFinding   Code = "other" // a finding that is kept and shown
	// CodeAnticoagulantGiven names a MedicationAdministration among the findings.
	CodeAnticoagulantGiven Code = "anticoagulant-given"
)
