package fhir

import "sync"

// Use says in which element a concept of the local code system stands.
type Use string

// The uses.
const (
	UseEvent     Use = "event"
	UseTask      Use = "task"
	UseTaskInput Use = "task-input"
	UseLateness  Use = "lateness"
	UseFinding   Use = "finding"
	UseComponent Use = "component"
	UseDevice    Use = "device"
	UseAnswer    Use = "answer"
	UseMethod    Use = "method"
	UseAbsent    Use = "absent-reason"
	UseSite      Use = "site"
	UseDrug      Use = "drug"
	UseContext   Use = "use-context"
	UseRoute     Use = "access-route"
	UseOrder     Use = "order"
	UseFlag      Use = "flag"
	UseIssue     Use = "issue"
	UseMark      Use = "mark"
)

// Concept is one row of the local code system.
type Concept struct {
	Code       Code
	Use        Use
	Display    string
	Definition string
}

// Concepts gives the whole local code system, in the order in which it is published.
// A code that serves two uses stands once, under the first.
func Concepts() []Concept {
	var all []Concept
	all = append(all, workConcepts()...)
	all = append(all, findingConcepts()...)
	all = append(all, answerConcepts()...)
	all = append(all, contextConcepts()...)
	return append(all, orderConcepts()...)
}

// displays are looked up with every resource that is written.
var displays = sync.OnceValue(func() map[Code]string {
	all := map[Code]string{}
	for _, x := range Concepts() {
		all[x.Code] = x.Display
	}
	return all
})

// Display gives the display of the code; the code itself when it is not in the table.
func (c Code) Display() string {
	if d, ok := displays()[c]; ok {
		return d
	}
	return string(c)
}

func workConcepts() []Concept {
	return []Concept{
		{CodeProcedureCompleted, UseEvent, "Procedure completed", "A catheterization procedure was completed, corrected, or withdrawn."},
		{CodePatientMoved, UseEvent, "Patient moved", "The patient of the encounter moved to another place."},
		{CodeEncounterEnded, UseEvent, "Encounter ended", "The encounter ended; the patient left."},

		{CodeArrivalCheck, UseTask, "Arrival check", "Take over the patient: band volume, band position, site, hand."},
		{CodeRecordBandVolume, UseTask, "Record band volume", "Chart the volume of air in the band and when compression started."},
		{CodeTitration, UseTask, "Titration", "Bring the air down to the least that holds haemostasis."},
		{CodePatencyCheck, UseTask, "Patency check", "Test whether blood flows through the radial artery."},
		{CodeSiteCheck, UseTask, "Site check", "Look at the access site while the band is on."},
		{CodeReleaseStep, UseTask, "Release step", "Take some air out of the band and look at the site."},
		{CodeRestoreCompression, UseTask, "Restore compression", "Put air back into the band because the site bleeds."},
		{CodeEaseCompression, UseTask, "Ease compression", "Take a little air out because the artery is not patent or the hand suffers."},
		{CodeBandRemoval, UseTask, "Band removal", "Take the empty band off."},
		{CodeDressing, UseTask, "Dressing", "Dress the access site."},
		{CodePostRemovalCheck, UseTask, "Check after removal", "Look at the access site and the hand after the band came off."},
		{CodeControlBleeding, UseTask, "Control bleeding", "Control bleeding at the site without a band on it."},
		{CodeBandApplication, UseTask, "Band application", "Put a compression band on."},
		{CodeConfirmBandState, UseTask, "Confirm band state", "Confirm at the bedside whether a band is on and how it sits."},
		{CodeSettleVolume, UseTask, "Settle volume", "Settle how much air is in the band."},
		{CodeDischargeCheck, UseTask, "Discharge check", "Check site, hand and patency before the patient leaves."},
		{CodePatientTeaching, UseTask, "Patient teaching", "Teach the patient what to look for and what to do about bleeding."},
		{CodeUlnarCompression, UseTask, "Ulnar compression", "Press on the ulnar artery, so that blood flows through the radial artery again."},
		{CodeClinicianReview, UseTask, "Clinician review", "A clinician is asked to decide."},

		{CodePlannedVolume, UseTaskInput, "Planned volume", "Volume of air to remove or to add, in mL."},
		{CodeRequiredFinding, UseTaskInput, "Required finding", "Code of an Observation without which the Task is not complete."},
		{CodeQuestionnaire, UseTaskInput, "Questionnaire", "Canonical of the Questionnaire by which the findings of the Task may be charted."},

		{CodeDueSoon, UseLateness, "Due soon", "The Task is due within the protocol's notice."},
		{CodeOverdue, UseLateness, "Overdue", "The Task was not done by its due time and its grace."},
		{CodeEscalated, UseLateness, "Escalated", "A named person or role took the late Task."},
	}
}

func findingConcepts() []Concept {
	return []Concept{
		{CodeAccessSiteBleeding, UseFinding, "Bleeding at the access site", "Whether the arterial access site bleeds, and how much."},
		{CodeRadialPatencyTest, UseFinding, "Radial artery patency test", "Whether blood flows through the radial artery after the procedure."},
		{CodeBandAirVolume, UseFinding, "Air in the band", "Volume of air in the compression band, counted."},
		{CodeBandAirRemoved, UseFinding, "Air removed from the band", "Volume of air taken out of the compression band."},
		{CodeBandAirAdded, UseFinding, "Air added to the band", "Volume of air put into the compression band."},
		{CodeCompressionStart, UseFinding, "Start of compression", "When the sheath came out under the inflated band."},
		{CodeBandState, UseFinding, "State of the band", "Whether a compression band is on, and how it sits."},
		{CodeAccessSiteHaematoma, UseFinding, "Haematoma at the access site", "Whether there is a haematoma at the access site or in the forearm."},
		{CodeHandCheck, UseFinding, "Hand check", "Colour, warmth, sensation and movement of the hand beyond the access site."},
		{CodeGeneralCondition, UseFinding, "General condition", "How the patient is as a whole."},
		{CodeSheathSize, UseFinding, "Sheath size", "Outer size of the introducer sheath, French (Charrière)."},

		{CodeTitrated, UseComponent, "Titrated", "Whether the air was brought down to the least that holds haemostasis."},
		{CodePatencyMethod, UseComponent, "Patency method", "How patency was tested."},
		{CodeProbeFinger, UseComponent, "Probe finger", "Finger that carried the probe."},
		{CodeArteryCompressed, UseComponent, "Artery compressed", "Artery that was compressed during the test."},
		{CodeBarbeauType, UseComponent, "Barbeau type", "Type of the plethysmographic trace, A to D."},
		{CodeHaematomaDiameter, UseComponent, "Haematoma diameter", "Largest diameter of the haematoma, in cm."},
		{CodeHaematomaGrade, UseComponent, "Haematoma grade", "Grade of the haematoma, I to V."},
		{CodeHandSensation, UseComponent, "Sensation of the hand", "Sensation of the hand beyond the access site."},
		{CodeHandMovement, UseComponent, "Movement of the hand", "Movement of the fingers beyond the access site."},
		{CodeHandSwelling, UseComponent, "Swelling of the hand", "Whether the hand beyond the access site is swollen."},
		{CodeHandPain, UseComponent, "Pain of the hand", "Whether the hand or forearm hurts out of proportion to what was done."},
		{CodeBandMaximumVolume, UseDevice, "Maximum volume of the band", "Largest volume of air that the device allows, in mL."},
		{CodeCompressionBand, UseDevice, "Radial compression band", "Pneumatic band that compresses the radial artery at its puncture."},
	}
}

func answerConcepts() []Concept {
	return []Concept{
		{CodePatent, UseAnswer, "Patent", "Blood flows through the artery."},
		{CodeOccluded, UseAnswer, "Occluded", "No blood flows through the artery."},

		{CodeWaveformUlnarCompressed, UseMethod, "Waveform with the ulnar artery compressed", "Plethysmographic waveform at a finger while the ulnar artery is compressed."},
		{CodeWaveform, UseMethod, "Waveform without ulnar compression", "Plethysmographic waveform at a finger; collateral flow can feign patency."},
		{CodeDoppler, UseMethod, "Doppler", "Doppler signal of the radial artery."},
		{CodeDuplex, UseMethod, "Duplex ultrasound", "Duplex ultrasound of the radial artery."},

		{CodeBandOn, UseAnswer, "On", "The band is on and sits well."},
		{CodeBandDisplaced, UseAnswer, "Displaced", "The band is on but slipped."},
		{CodeBandOverUlnar, UseAnswer, "Over the ulnar artery", "The band compresses the ulnar artery."},
		{CodeBandOff, UseAnswer, "Off", "There is no band on."},
		{CodeBandReplaced, UseAnswer, "Replaced", "The band was replaced by another."},
		{CodeBandNeverApplied, UseAnswer, "Never applied", "No band was ever put on."},

		{CodeWell, UseAnswer, "Well", "The patient is well."},
		{CodeFaint, UseAnswer, "Faint", "The patient is faint or sweating."},
		{CodeCollapsed, UseAnswer, "Collapsed", "The patient collapsed."},
		{CodeChestPain, UseAnswer, "Chest pain", "The patient has chest pain."},

		{CodeNumb, UseAnswer, "Numb", "Sensation of the hand is lost or less than usual."},
		{CodeTingling, UseAnswer, "Tingling", "The hand tingles; pins and needles."},

		{CodeBarbeauA, UseAnswer, "Type A", "Waveform not damped by compression."},
		{CodeBarbeauB, UseAnswer, "Type B", "Waveform slightly damped by compression."},
		{CodeBarbeauC, UseAnswer, "Type C", "Waveform lost under compression, then recovered."},
		{CodeBarbeauD, UseAnswer, "Type D", "Waveform lost under compression, not recovered within two minutes."},

		{CodeGradeI, UseAnswer, "Grade I", "Haematoma of at most 5 cm, local and superficial."},
		{CodeGradeII, UseAnswer, "Grade II", "Haematoma of at most 10 cm."},
		{CodeGradeIII, UseAnswer, "Grade III", "Haematoma above 10 cm, below the elbow."},
		{CodeGradeIV, UseAnswer, "Grade IV", "Haematoma that extends above the elbow."},
		{CodeGradeV, UseAnswer, "Grade V", "Haematoma with compartment syndrome."},

		{CodeCouldNotAssess, UseAbsent, "Could not assess", "Somebody tried and could not tell; not the same as normal."},
		{CodeDistalRadialRight, UseSite, "Right distal radial artery", "Right radial artery in or beyond the anatomical snuffbox."},
		{CodeDistalRadialLeft, UseSite, "Left distal radial artery", "Left radial artery in or beyond the anatomical snuffbox."},
	}
}

func contextConcepts() []Concept {
	return []Concept{
		{CodeHeparin, UseDrug, "Heparin", "Unfractionated or low molecular weight heparin."},
		{CodeGlycoproteinInhibitor, UseDrug, "Glycoprotein IIb/IIIa inhibitor", "Abciximab, eptifibatide or tirofiban."},
		{CodeOtherAnticoagulant, UseDrug, "Other anticoagulant", "A vitamin K antagonist, a direct thrombin or factor Xa inhibitor, or another anticoagulant."},

		{CodeAccessSide, UseContext, "Access side", "The protocol is for one wrist alone: the right or the left."},
		{CodeAccessRoute, UseContext, "Access route", "The protocol is for access at the wrist alone, or for distal access alone."},
		{CodeGivenDrug, UseContext, "Drug given", "The protocol is for patients who were given such a drug; of several, any one."},

		{CodeWristRadial, UseRoute, "Radial artery at the wrist", "Access through the radial artery at the wrist, on either side."},
		{CodeDistalRadial, UseRoute, "Distal radial artery", "Access through the radial artery in or beyond the anatomical snuffbox, on either side."},
	}
}

func orderConcepts() []Concept {
	return []Concept{
		{CodeHold, UseOrder, "Hold", "A clinician holds the release until it is resumed."},
		{CodeResume, UseOrder, "Resume", "A clinician lifts a hold."},
		{CodePauseRelease, UseOrder, "Pause release", "A nurse pauses the release for a time; checks go on."},
		{CodeOverrideTime, UseOrder, "Override time", "Another time for the next release step."},
		{CodeOverrideVolume, UseOrder, "Override volume", "Another volume for the next release step."},
		{CodeAdjustVolume, UseOrder, "Adjust volume", "An adjustment of the book volume, with its reason."},
		{CodeContinueToEmpty, UseOrder, "Continue to empty", "Go on by steps until the syringe draws nothing, the volume being uncertain."},
		{CodeNoBandPlan, UseOrder, "No band plan", "No band is used: dressing and checks after it only."},
		{CodeStopPlan, UseOrder, "Stop plan", "The plan ends here."},

		{CodeBandVolumeInDoubt, UseFlag, "Band volume in doubt", "How much air is in the band is not known for sure."},
		{CodeNotPatent, UseFlag, "Radial artery not patent", "The last test did not show flow through the radial artery."},
		{CodeBandTimeExceeded, UseFlag, "Band time exceeded", "The band has been on longer than the protocol's alert."},
		{CodeConfirmAtBedside, UseFlag, "Confirm at the bedside", "What the record says must be confirmed at the bedside."},

		{CodeHandNotNormal, UseFlag, "Hand not normal", "The hand beyond the access site is not normal."},
		{CodePatientUnwell, UseFlag, "Patient unwell", "The patient is faint, collapsed, in pain of the chest, or low in pressure."},

		{CodeVolumeContradiction, UseIssue, "Volume contradiction", "A count, a syringe or an entry contradicts the book volume of the band."},
		{CodeChartedTwice, UseIssue, "Charted twice", "Two entries may be one act."},
		{CodeBleedingAndNotPatent, UseIssue, "Bleeding and not patent", "The site bleeds and the artery is not patent: pressure and flow ask for opposite things."},

		{CodeUnplaced, UseMark, "Unplaced", "The finding fits no known episode yet."},
		{CodeNotStored, UseMark, "Not stored", "Computed to be looked at: no plan, and stored nowhere."},
		{CodeReleasePlan, UseMark, "Compression release plan", "Plan for the stepwise release of a radial compression band."},
		{CodeHandover, UseMark, "Hand-over", "One page by which a radial compression band is handed over."},
		{CodeTimeline, UseMark, "Timeline", "Picture of what happened to a radial compression band, from its start to the end of its plan."},
		{CodeDiagnostic, UseMark, "Diagnostic procedure", "Diagnostic catheterization without an intervention."},
		{CodeIntervention, UseMark, "Intervention", "Catheterization with a coronary intervention."},
		{CodeAnyFinding, UseMark, "Other finding", "A finding that is kept and shown, and moves nothing by itself."},
		{CodeAnticoagulantGiven, UseMark, "Anticoagulant given", "An anticoagulant was given after the event; told by a MedicationAdministration."},
	}
}
