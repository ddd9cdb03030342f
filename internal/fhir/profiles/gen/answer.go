package main

import "fhirsvc/internal/fhir"

const (
	sctAbsent  = "2667000"
	sctPresent = "52101004"
)

// answers are the coded values of the bedside findings.
func answers() []valueSet {
	absent, present := sct(sctAbsent, "Absent (qualifier value)"), sct(sctPresent, "Present (qualifier value)")
	return []valueSet{
		{
			"bleeding-answer", "BleedingAnswer", "Answers: bleeding at the access site",
			"Haemostasis, oozing or active bleeding; absent means haemostasis, and present without a grade counts as active bleeding.",
			[]fhir.Coding{
				dcm("122033", "Hemostasis achieved"), dcm("122034", "Hemostasis not achieved - oozing"),
				dcm("122035", "Hemostasis not achieved - actively bleeding"), absent, present,
			},
		},
		{
			"patency-answer", "PatencyAnswer", "Answers: radial artery patency",
			"Whether the radial artery is open.",
			append(codings(fhir.CodePatent, fhir.CodeOccluded), sct("82334004", "Indeterminate (qualifier value)")),
		},
		{
			"pulse-answer", "PulseAnswer", "Answers: distal radial pulse",
			"The pulse beyond the band. These codes are outside the Global Patient Set.",
			[]fhir.Coding{sct("12146004", "Normal pulse (finding)"), sct("260407003", "Weak"), sct("54518005", "Absent pulse (finding)")},
		},
		{
			"haematoma-answer", "HaematomaAnswer", "Answers: haematoma at the access site",
			"Whether there is a haematoma.",
			[]fhir.Coding{absent, present},
		},
		{
			"band-state-answer", "BandStateAnswer", "Answers: state of the band",
			"Whether a compression band is on, and how it sits.",
			codings(fhir.CodeBandOn, fhir.CodeBandDisplaced, fhir.CodeBandOverUlnar, fhir.CodeBandOff, fhir.CodeBandReplaced, fhir.CodeBandNeverApplied),
		},
		{
			"hand-answer", "HandAnswer", "Answers: hand check",
			"Whether the hand is normal.",
			[]fhir.Coding{sct("17621005", "Normal (qualifier value)"), sct("263654008", "Abnormal (qualifier value)")},
		},
		{
			"condition-answer", "ConditionAnswer", "Answers: general condition",
			"How the patient is as a whole.",
			codings(fhir.CodeWell, fhir.CodeFaint, fhir.CodeCollapsed, fhir.CodeChestPain),
		},
	}
}

// handAnswers are what may be said of the parts of a hand.
func handAnswers() []valueSet {
	absent, present := sct(sctAbsent, "Absent (qualifier value)"), sct(sctPresent, "Present (qualifier value)")
	usual := []fhir.Coding{sct("17621005", "Normal (qualifier value)"), sct("263654008", "Abnormal (qualifier value)")}
	part := func(id, name, title, description string, more ...fhir.Coding) valueSet {
		return valueSet{id, name, title, description, append(usual[:2:2], more...)}
	}
	return []valueSet{
		part("hand-colour-answer", "HandColourAnswer", "Answers: colour of the hand", "Normal, or how the colour of the skin is not.",
			sct("297952003", "Skin normal color (finding)"), sct("398979000", "Pale complexion (finding)"), sct("119419001", "Cyanosis of skin (finding)"),
			loinc("LA17206-6", "Pale"), loinc("LA17198-5", "Cyanotic"), loinc("LA17205-8", "Mottled")),
		part("hand-temperature-answer", "HandTemperatureAnswer", "Answers: warmth of the hand", "Normal, warm or cold.",
			sct("102599008", "Warm skin"), sct("703883009", "Cold skin"), loinc("LA17207-4", "Warm"), loinc("LA15475-9", "Cold")),
		part("hand-sensation-answer", "HandSensationAnswer", "Answers: sensation of the hand", "Normal, numb or tingling; abnormal without more counts as numb.",
			append(codings(fhir.CodeNumb, fhir.CodeTingling), sct("309521004", "Numbness of hand (finding)"), sct("33653009", "Absence of sensation (finding)"),
				sct("398026008", "Reduced sensation of skin (finding)"), sct("247322000", "Abnormal sensation"),
				sct("309086004", "Paresthesia of hand (finding)"), sct("299956006", "Normal sensation"))...),
		part("hand-movement-answer", "HandMovementAnswer", "Answers: movement of the hand", "Normal or weak.",
			sct("299042006", "Weakness of hand (finding)")),
		part("hand-swelling-answer", "HandSwellingAnswer", "Answers: swelling of the hand", "Whether the hand is swollen.",
			absent, present, sct("299037003", "Swelling of hand (finding)")),
		part("hand-pain-answer", "HandPainAnswer", "Answers: pain of the hand", "Whether the hand or forearm hurts out of proportion to what was done.",
			absent, present, sct("102556003", "Pain in upper limb (finding)")),
	}
}

// parts are what stands beside the answers.
func parts() []valueSet {
	return []valueSet{
		{
			"patency-method", "PatencyMethod", "Methods of the patency test",
			"How the patency of the radial artery was tested.",
			append(used(fhir.UseMethod), sct("765172009", "Doppler ultrasound (procedure)")),
		},
		{
			"barbeau-type", "BarbeauType", "Barbeau types", "Types of the plethysmographic trace under compression.",
			codings(fhir.CodeBarbeauA, fhir.CodeBarbeauB, fhir.CodeBarbeauC, fhir.CodeBarbeauD),
		},
		{
			"haematoma-grade", "HaematomaGrade", "Grades of a haematoma", "Grades of a haematoma of the forearm after radial access.",
			codings(fhir.CodeGradeI, fhir.CodeGradeII, fhir.CodeGradeIII, fhir.CodeGradeIV, fhir.CodeGradeV),
		},
		{
			"air-volume-unit", "AirVolumeUnit", "Units of a volume of air", "The millilitre as UCUM writes it: the litre is l or L.",
			[]fhir.Coding{{System: fhir.SystemUCUM, Code: "mL", Display: "mL"}, {System: fhir.SystemUCUM, Code: "ml", Display: "mL"}},
		},
		{
			"absent-reason", "AbsentReason", "Reasons for a missing value",
			"Why a finding has no value. Not done and could not assess both document the check, and are no evidence.",
			append(used(fhir.UseAbsent), published(fhir.SystemDataAbsent,
				"not-performed", "unknown", "asked-unknown", "temp-unknown", "not-asked", "asked-declined", "masked", "not-applicable",
				"unsupported", "as-text", "error", "not-a-number", "negative-infinity", "positive-infinity", "not-permitted")...),
		},
		{
			"access-site", "AccessSite", "Radial access sites", "The radial artery with its side.",
			append([]fhir.Coding{
				sct("368503001", "Structure of right radial artery"), sct("368504007", "Structure of left radial artery"),
				sct("45631007", "Structure of radial artery (body structure)"),
			}, used(fhir.UseSite)...),
		},
	}
}

// work are the codes of Tasks, plans, orders and procedures.
func work() []valueSet {
	return []valueSet{
		{"task-kind", "TaskKind", "Kinds of Task", "What is to be done.", used(fhir.UseTask)},
		{"task-input", "TaskInput", "Inputs of a Task", "What a Task brings along.", append(used(fhir.UseTaskInput), fhir.Coding{System: fhir.SystemSDC, Code: "questionnaire", Display: "Questionnaire"})},
		{"lateness", "Lateness", "Lateness of a Task", "How a Task stands to its due time.", used(fhir.UseLateness)},
		{"order-kind", "OrderKind", "Kinds of order", "What may be ordered around a release plan.", used(fhir.UseOrder)},
		{
			"finding", "Finding", "Bedside findings", "What is charted around the release of a compression band.",
			append(used(fhir.UseFinding), loinc("44974-4", "Pulse intensity of Unspecified artery palpation"),
				loinc("72514-3", "Pain severity - 0-10 verbal numeric rating [Score] - Reported"), loinc("8480-6", "Systolic blood pressure")),
		},
		{
			"task-status", "TaskStatus", "Statuses of a Task", "The statuses that a Task of a release plan has.",
			published(systemTaskStatus, "draft", "ready", "in-progress", "on-hold", "completed", "cancelled", "rejected", "failed"),
		},
		{
			"plan-status", "PlanStatus", "Statuses of a plan", "The statuses that a release plan has.",
			published(systemPlanStatus, "active", "on-hold", "completed", "revoked"),
		},
		{"issue-kind", "IssueKind", "Kinds of contradiction", "What contradicts what.", used(fhir.UseIssue)},
		{
			"issue-status", "IssueStatus", "Statuses of a contradiction", "A contradiction is preliminary while it is open, and final when it is settled.",
			published(systemObservationStatus, "preliminary", "final"),
		},
		{
			"call-status", "CallStatus", "Statuses of a call", "A call is in progress until somebody answers it.",
			published(systemEventStatus, "in-progress", "completed"),
		},
		{
			"procedure-status", "ProcedureStatus", "Statuses of a procedure", "A procedure is told when it is completed, withdrawn or was not done.",
			published(systemEventStatus, "completed", "entered-in-error", "not-done"),
		},
		{
			"procedure-kind", "ProcedureKind", "Kinds of procedure", "The codes that tell a diagnostic procedure from an intervention.",
			[]fhir.Coding{
				sct("33367005", "Coronary angiography (procedure)"), sct("419416005", "Fluoroscopic angiography of coronary arteries (procedure)"),
				sct("41976001", "Cardiac catheterization (procedure)"), sct("67629009", "Catheterization of left heart (procedure)"),
				sct("415070008", "Percutaneous coronary intervention (procedure)"),
				sct("11101003", "Percutaneous transluminal coronary angioplasty (procedure)"),
				sct("36969009", "Placement of stent in coronary artery (procedure)"),
				fhir.CodeDiagnostic.Coding(), fhir.CodeIntervention.Coding(),
			},
		},
	}
}
