package workflow

// Side is the wrist.
type Side string

// The two wrists.
const (
	Right Side = "right"
	Left  Side = "left"
)

// ProcedureKind is what decides which protocol applies.
type ProcedureKind string

// The kinds of procedure.
const (
	Diagnostic   ProcedureKind = "diagnostic"
	Intervention ProcedureKind = "intervention"
)

// FindingCode says what was looked at.
type FindingCode string

// The bedside findings.
const (
	Bleeding         FindingCode = "access-site-bleeding"
	Patency          FindingCode = "radial-patency-test"
	Pulse            FindingCode = "distal-pulse"
	AirVolume        FindingCode = "band-air-volume"
	AirRemoved       FindingCode = "band-air-removed"
	AirAdded         FindingCode = "band-air-added"
	CompressionStart FindingCode = "compression-start"
	Band             FindingCode = "band-state"
	Haematoma        FindingCode = "access-site-haematoma"
	Hand             FindingCode = "hand-check"
	Condition        FindingCode = "general-condition"
	Pain             FindingCode = "pain-score"          // 0 to 10, in Amount
	Pressure         FindingCode = "systolic-pressure"   // mmHg, in Amount
	Anticoagulant    FindingCode = "anticoagulant-given" // after the event; Text says which
	OtherFinding     FindingCode = "other"               // anything else that is kept and shown
)

// HandSign is what is not normal about a hand: the six Ps, as far as they are asked for.
type HandSign string

// The signs of a hand that suffers (Nursing pocket card on neurovascular checks: pulses,
// refill, colour, temperature, sensation, movement, pain).
const (
	HandDiscoloured HandSign = "colour"
	HandCold        HandSign = "temperature"
	HandSlowRefill  HandSign = "refill"
	HandNumb        HandSign = "sensation" // numb; tingling is HandTingling
	HandTingling    HandSign = "tingling"
	HandWeak        HandSign = "movement"
	HandSwollen     HandSign = "swelling"
	HandPain        HandSign = "pain" // out of proportion
)

// Drug is a kind of anticoagulant, as far as it may change when air may be let out.
type Drug string

// The kinds of anticoagulant. Heparin during the procedure is usual and changes nothing.
const (
	Heparin               Drug = "heparin"
	GlycoproteinInhibitor Drug = "glycoprotein-inhibitor"
	OtherAnticoagulant    Drug = "other-anticoagulant"
)

// Answer is what was found, for findings that are coded.
type Answer string

// The coded answers, by finding.
const (
	// Bleeding.
	Haemostasis Answer = "haemostasis"
	Oozing      Answer = "oozing"
	Active      Answer = "active"
	// Patency.
	Patent        Answer = "patent"
	Occluded      Answer = "occluded"
	Indeterminate Answer = "indeterminate"
	// Pulse and Hand.
	Normal   Answer = "normal"
	Weak     Answer = "weak"
	Absent   Answer = "absent"
	Abnormal Answer = "abnormal"
	// Haematoma: Absent or Present.
	Present Answer = "present"
	// Band.
	BandOn           Answer = "on"
	BandDisplaced    Answer = "displaced"
	BandOverUlnar    Answer = "over-ulnar"
	BandOff          Answer = "off"
	BandReplaced     Answer = "replaced"
	BandNeverApplied Answer = "never-applied"
	// Condition.
	Well      Answer = "well"
	Faint     Answer = "faint"
	Collapsed Answer = "collapsed"
	ChestPain Answer = "chest-pain"
)

// Missing says why a finding has no value. A finding with Missing set documents a
// check; it is never evidence.
type Missing string

// The reasons for a missing value; "" when there is one.
const (
	NotPerformed     Missing = "not-performed"
	CouldNotAssess   Missing = "could-not-assess"
	OtherwiseMissing Missing = "missing"
)

// Method is how patency was tested.
type Method string

// The methods. Only the first, Doppler and Duplex can show an open radial artery;
// collateral flow through the ulnar artery feigns one to the others.
const (
	WaveformUlnarCompressed Method = "waveform-ulnar-compressed"
	Waveform                Method = "waveform"
	Doppler                 Method = "doppler"
	Duplex                  Method = "duplex"
)

// ShowsPatency reports whether the method can show an open radial artery.
func (m Method) ShowsPatency() bool {
	switch m {
	case WaveformUlnarCompressed, Doppler, Duplex:
		return true
	case Waveform:
		return false
	}
	return false
}

// TaskCode is the kind of a Task.
type TaskCode string

// The kinds of Task.
const (
	ArrivalCheck       TaskCode = "arrival-check"
	RecordBandVolume   TaskCode = "record-band-volume"
	PatencyCheck       TaskCode = "patency-check"
	SiteCheck          TaskCode = "site-check"
	ReleaseStep        TaskCode = "release-step"
	RestoreCompression TaskCode = "restore-compression"
	EaseCompression    TaskCode = "ease-compression"
	BandRemoval        TaskCode = "band-removal"
	Dressing           TaskCode = "dressing"
	PostRemovalCheck   TaskCode = "post-removal-check"
	ControlBleeding    TaskCode = "control-bleeding"
	ConfirmBandState   TaskCode = "confirm-band-state"
	SettleVolume       TaskCode = "settle-volume"
	DischargeCheck     TaskCode = "discharge-check"
	ClinicianReview    TaskCode = "clinician-review"
	Titration          TaskCode = "titration"
	PatientTeaching    TaskCode = "patient-teaching"
	UlnarCompression   TaskCode = "ulnar-compression"
)

// TaskStatus is where a Task stands.
type TaskStatus string

// The states of a Task.
const (
	TaskDraft      TaskStatus = "draft"       // planned
	TaskReady      TaskStatus = "ready"       // its turn
	TaskInProgress TaskStatus = "in-progress" // claimed
	TaskOnHold     TaskStatus = "on-hold"     // withheld, with reasons
	TaskCompleted  TaskStatus = "completed"
	TaskCancelled  TaskStatus = "cancelled" // surplus, or skipped by order
	TaskRejected   TaskStatus = "rejected"  // refused by the patient
	TaskFailed     TaskStatus = "failed"
)

// Finished reports whether the state is an end: a finished Task stays finished.
func (s TaskStatus) Finished() bool {
	switch s {
	case TaskCompleted, TaskCancelled, TaskRejected, TaskFailed:
		return true
	case TaskDraft, TaskReady, TaskInProgress, TaskOnHold:
		return false
	}
	return false
}

// Turn reports whether the Task can be worked on now.
func (s TaskStatus) Turn() bool { return s == TaskReady || s == TaskInProgress }

// Lateness is the sub-state of an open Task.
type Lateness string

// The degrees of lateness; "" is in time.
const (
	InTime    Lateness = ""
	DueSoon   Lateness = "due-soon"
	Overdue   Lateness = "overdue"
	Escalated Lateness = "escalated" // a named person or role took it
)

// Priority is how urgent a Task is.
type Priority string

// The priorities, lowest first.
const (
	Routine Priority = "routine"
	Urgent  Priority = "urgent"
	ASAP    Priority = "asap"
	Stat    Priority = "stat"
)

// rank orders the priorities, 0 for none.
func (p Priority) rank() int {
	switch p {
	case Routine:
		return 1
	case Urgent:
		return 2
	case ASAP:
		return 3
	case Stat:
		return 4
	}
	return 0
}

// atLeast gives the more urgent of the two.
func (p Priority) atLeast(q Priority) Priority {
	if p.rank() < q.rank() {
		return q
	}
	return p
}

// Level is who was called about a late Task or a finding.
type Level int

// The levels, each above the one before.
const (
	NobodyCalled  Level = 0
	NurseInCharge Level = 1
	Clinician     Level = 2
)

// PlanStatus is where the plan stands.
type PlanStatus string

// The states of a plan.
const (
	PlanActive    PlanStatus = "active"
	PlanOnHold    PlanStatus = "on-hold"
	PlanCompleted PlanStatus = "completed"
	PlanRevoked   PlanStatus = "revoked"
)

// Ended reports whether the plan runs no more. What is found later is still kept, and may
// ask for something.
func (s PlanStatus) Ended() bool { return s == PlanCompleted || s == PlanRevoked }

// OrderCode is what was ordered.
type OrderCode string

// The orders.
const (
	OrderHold            OrderCode = "hold"
	OrderResume          OrderCode = "resume"
	OrderPauseRelease    OrderCode = "pause-release"
	OrderOverrideTime    OrderCode = "override-time"
	OrderOverrideVolume  OrderCode = "override-volume"
	OrderAdjustVolume    OrderCode = "adjust-volume"
	OrderContinueToEmpty OrderCode = "continue-to-empty"
	OrderNoBandPlan      OrderCode = "no-band-plan"
	OrderStopPlan        OrderCode = "stop-plan"
)

// BookState is how far the book volume can be trusted.
type BookState string

// The states of the book volume.
const (
	BookKnown     BookState = "known"
	BookUncertain BookState = "uncertain"
	BookUnknown   BookState = "unknown"
)
