package fhir

import (
	"sync"

	"fhirsvc/internal/workflow"
)

// The mappings between the core's values and codings, each row in both directions.
// Displays are those of the publishers; no licensed terminology server was asked.

var findings = sync.OnceValue(func() []term[workflow.FindingCode] {
	volume := []standard{sct("118565006", "Volume (property) (qualifier value)")}
	return []term[workflow.FindingCode]{
		{value: workflow.Bleeding, local: CodeAccessSiteBleeding, broader: []standard{sct("131148009", "Bleeding (finding)")}},
		{value: workflow.Patency, local: CodeRadialPatencyTest, broader: []standard{sct("713135003", "Assessment of peripheral tissue perfusion (procedure)")}},
		{value: workflow.Pulse, same: []standard{loinc("44974-4", "Pulse intensity of Unspecified artery palpation")}},
		{value: workflow.AirVolume, local: CodeBandAirVolume, broader: volume},
		{value: workflow.AirRemoved, local: CodeBandAirRemoved, broader: volume},
		{value: workflow.AirAdded, local: CodeBandAirAdded, broader: volume},
		{value: workflow.CompressionStart, local: CodeCompressionStart},
		{value: workflow.Band, local: CodeBandState},
		{value: workflow.Haematoma, local: CodeAccessSiteHaematoma, broader: []standard{sct("385494008", "Hematoma (disorder)")}},
		{value: workflow.Hand, local: CodeHandCheck, broader: []standard{sct("423558004", "Neurovascular assessment (procedure)")}},
		{value: workflow.Condition, local: CodeGeneralCondition},
		{value: workflow.Pain, same: []standard{loinc("72514-3", "Pain severity - 0-10 verbal numeric rating [Score] - Reported")}},
		{
			value: workflow.Pressure,
			same:  []standard{loinc(loincSystolic, "Systolic blood pressure")},
			also:  []standard{loinc(loincPressurePanel, "Blood pressure panel with all children optional")},
		},
		{value: workflow.Anticoagulant, local: CodeAnticoagulantGiven},
		{value: workflow.OtherFinding, local: CodeAnyFinding},
	}
})

// answers gives the coded answers of a finding; none for findings with another value.
func answers(f workflow.FindingCode) []term[workflow.Answer] {
	absent := term[workflow.Answer]{value: workflow.Absent, same: []standard{sct("2667000", "Absent (qualifier value)")}}
	switch f {
	case workflow.Bleeding:
		return bleedingAnswers()
	case workflow.Patency:
		return []term[workflow.Answer]{
			{value: workflow.Patent, local: CodePatent},
			{value: workflow.Occluded, local: CodeOccluded, broader: []standard{sct("2929001", "Occlusion of artery (disorder)")}},
			{value: workflow.Indeterminate, same: []standard{sct("82334004", "Indeterminate (qualifier value)")}},
		}
	case workflow.Pulse:
		return []term[workflow.Answer]{
			{value: workflow.Normal, same: []standard{sctLicensed("12146004", "Normal pulse (finding)")}},
			{value: workflow.Weak, same: []standard{sctLicensed("260407003", "Weak")}},
			{value: workflow.Absent, same: []standard{sctLicensed("54518005", "Absent pulse (finding)")}},
		}
	case workflow.Haematoma:
		return []term[workflow.Answer]{absent, {value: workflow.Present, same: []standard{sct("52101004", "Present (qualifier value)")}}}
	case workflow.Band:
		return bandAnswers()
	case workflow.Hand:
		return []term[workflow.Answer]{
			{value: workflow.Normal, same: []standard{sct("17621005", "Normal (qualifier value)")}},
			{value: workflow.Abnormal, same: []standard{sct("263654008", "Abnormal (qualifier value)")}},
		}
	case workflow.Condition:
		return []term[workflow.Answer]{
			{value: workflow.Well, local: CodeWell},
			{value: workflow.Faint, local: CodeFaint},
			{value: workflow.Collapsed, local: CodeCollapsed},
			{value: workflow.ChestPain, local: CodeChestPain},
		}
	case workflow.AirVolume, workflow.AirRemoved, workflow.AirAdded, workflow.CompressionStart, workflow.Pain,
		workflow.Pressure, workflow.Anticoagulant, workflow.OtherFinding:
		return nil
	}
	return nil
}

// bleedingAnswers: present without a grade counts as active bleeding, the graver one.
func bleedingAnswers() []term[workflow.Answer] {
	return []term[workflow.Answer]{
		{
			value: workflow.Haemostasis,
			same:  []standard{dcm("122033", "Hemostasis achieved")},
			also:  []standard{sct("2667000", "Absent (qualifier value)")},
		},
		{value: workflow.Oozing, same: []standard{dcm("122034", "Hemostasis not achieved - oozing")}},
		{
			value: workflow.Active,
			same:  []standard{dcm("122035", "Hemostasis not achieved - actively bleeding")},
			also:  []standard{sct("52101004", "Present (qualifier value)")},
		},
	}
}

func bandAnswers() []term[workflow.Answer] {
	return []term[workflow.Answer]{
		{value: workflow.BandOn, local: CodeBandOn},
		{value: workflow.BandDisplaced, local: CodeBandDisplaced},
		{value: workflow.BandOverUlnar, local: CodeBandOverUlnar},
		{value: workflow.BandOff, local: CodeBandOff},
		{value: workflow.BandReplaced, local: CodeBandReplaced},
		{value: workflow.BandNeverApplied, local: CodeBandNeverApplied},
	}
}

func methods() []term[workflow.Method] {
	return []term[workflow.Method]{
		{value: workflow.WaveformUlnarCompressed, local: CodeWaveformUlnarCompressed},
		{value: workflow.Waveform, local: CodeWaveform},
		{value: workflow.Doppler, local: CodeDoppler, same: []standard{sct("765172009", "Doppler ultrasound (procedure)")}},
		{value: workflow.Duplex, local: CodeDuplex},
	}
}

// TaskCodes gives the codes of Tasks in the order of the table.
func TaskCodes() []Code {
	var codes []Code
	for _, row := range tasks() {
		codes = append(codes, row.local)
	}
	return codes
}

// tasks: nothing stands beside release, titration and easing. The broader SNOMED CT
// concept is compression bandaging, and read alone it would say the opposite of what is
// to be done.
var tasks = sync.OnceValue(func() []term[workflow.TaskCode] {
	look := []standard{sct("225395003", "Wound assessment (procedure)")}
	return []term[workflow.TaskCode]{
		{value: workflow.ArrivalCheck, local: CodeArrivalCheck},
		{value: workflow.RecordBandVolume, local: CodeRecordBandVolume},
		{value: workflow.Titration, local: CodeTitration},
		{value: workflow.PatencyCheck, local: CodePatencyCheck, broader: []standard{sct("713135003", "Assessment of peripheral tissue perfusion (procedure)")}},
		{value: workflow.SiteCheck, local: CodeSiteCheck, broader: look},
		{value: workflow.ReleaseStep, local: CodeReleaseStep},
		{value: workflow.RestoreCompression, local: CodeRestoreCompression, broader: []standard{sct("413899004", "Compression bandaging (procedure)")}},
		{value: workflow.EaseCompression, local: CodeEaseCompression},
		{value: workflow.BandRemoval, local: CodeBandRemoval, broader: []standard{sct("118489002", "Removal of dressing (procedure)")}},
		{value: workflow.Dressing, local: CodeDressing, broader: []standard{sct("3895009", "Application of dressing (procedure)")}},
		{value: workflow.PostRemovalCheck, local: CodePostRemovalCheck, broader: look},
		{value: workflow.ControlBleeding, local: CodeControlBleeding},
		{value: workflow.ConfirmBandState, local: CodeConfirmBandState},
		{value: workflow.SettleVolume, local: CodeSettleVolume},
		{value: workflow.DischargeCheck, local: CodeDischargeCheck, broader: []standard{sct("711051002", "Assessment of readiness for discharge (procedure)")}},
		{value: workflow.PatientTeaching, local: CodePatientTeaching, broader: []standard{sct("223464006", "Procedure education (procedure)")}},
		{value: workflow.UlnarCompression, local: CodeUlnarCompression},
		{value: workflow.ClinicianReview, local: CodeClinicianReview},
	}
})

func latenesses() []term[workflow.Lateness] {
	return []term[workflow.Lateness]{
		{value: workflow.DueSoon, local: CodeDueSoon},
		{value: workflow.Overdue, local: CodeOverdue},
		{value: workflow.Escalated, local: CodeEscalated},
	}
}

func orders() []term[workflow.OrderCode] {
	return []term[workflow.OrderCode]{
		{value: workflow.OrderHold, local: CodeHold},
		{value: workflow.OrderResume, local: CodeResume},
		{value: workflow.OrderPauseRelease, local: CodePauseRelease},
		{value: workflow.OrderOverrideTime, local: CodeOverrideTime},
		{value: workflow.OrderOverrideVolume, local: CodeOverrideVolume},
		{value: workflow.OrderAdjustVolume, local: CodeAdjustVolume},
		{value: workflow.OrderContinueToEmpty, local: CodeContinueToEmpty},
		{value: workflow.OrderNoBandPlan, local: CodeNoBandPlan},
		{value: workflow.OrderStopPlan, local: CodeStopPlan},
	}
}

func flags() []term[workflow.FlagCode] {
	return []term[workflow.FlagCode]{
		{value: workflow.FlagBleeding, local: CodeAccessSiteBleeding, broader: []standard{sct("131148009", "Bleeding (finding)")}},
		{value: workflow.FlagVolumeInDoubt, local: CodeBandVolumeInDoubt},
		{value: workflow.FlagNotPatent, local: CodeNotPatent, broader: []standard{sct("129702000", "At risk for peripheral neurovascular dysfunction (finding)")}},
		{value: workflow.FlagBandTime, local: CodeBandTimeExceeded},
		{value: workflow.FlagConfirmBedside, local: CodeConfirmAtBedside},
		{value: workflow.FlagHand, local: CodeHandNotNormal},
		{value: workflow.FlagHaematoma, local: CodeAccessSiteHaematoma, broader: []standard{sct("385494008", "Hematoma (disorder)")}},
		{value: workflow.FlagUnwell, local: CodePatientUnwell},
	}
}

func issues() []term[workflow.IssueCode] {
	return []term[workflow.IssueCode]{
		{value: workflow.IssueVolume, local: CodeVolumeContradiction},
		{value: workflow.IssueTwice, local: CodeChartedTwice},
		{value: workflow.IssueOpposed, local: CodeBleedingAndNotPatent},
	}
}

// kinds puts the intervention first: angiography and intervention in one session is an
// intervention.
func kinds() []term[workflow.ProcedureKind] {
	return []term[workflow.ProcedureKind]{
		{value: workflow.Intervention, local: CodeIntervention, also: []standard{
			sct("415070008", "Percutaneous coronary intervention (procedure)"),
			sct("11101003", "Percutaneous transluminal coronary angioplasty (procedure)"),
			sct("36969009", "Placement of stent in coronary artery (procedure)"),
		}},
		{value: workflow.Diagnostic, local: CodeDiagnostic, also: []standard{
			sct("33367005", "Coronary angiography (procedure)"),
			sct("419416005", "Fluoroscopic angiography of coronary arteries (procedure)"),
			sct("41976001", "Cardiac catheterization (procedure)"),
			sct("67629009", "Catheterization of left heart (procedure)"),
		}},
	}
}
