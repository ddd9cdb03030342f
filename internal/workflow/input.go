package workflow

import "time"

// Input is a fact that reached the service. The set is closed.
//
//sumtype:decl
type Input interface{ stamp() Stamp }

// Stamp stands on every input: when the service received it (UTC) and its id, which
// is stable over retries. Inputs of one episode have rising instants.
type Stamp struct {
	At time.Time `json:",omitzero"`
	ID string    `json:",omitzero"`
}

// Started is a procedure-completed event: the first starts the episode, a later one
// corrects it. Which of several counts is decided by Event.Order.
type Started struct {
	Stamp
	Event Event `json:",omitzero"`
}

// Revoked is the same event entered in error, or a procedure not done.
type Revoked struct {
	Stamp
	Order  time.Time `json:",omitzero"` // place among the events of the procedure, as Event.Order
	Reason string    `json:",omitzero"` // entered-in-error or not-done
}

// Charted is what one client entered in one go: findings, withdrawals, Task updates
// and orders. They take effect in order of Found, then Entry.
type Charted struct {
	Stamp
	Findings  []Finding    `json:",omitzero"`
	Withdrawn []Withdrawal `json:",omitzero"`
	Updates   []TaskUpdate `json:",omitzero"`
	Orders    []Order      `json:",omitzero"`
}

// Relocated says that the patient moved to another place, or that the encounter ended.
type Relocated struct {
	Stamp
	Found    time.Time `json:",omitzero"`
	Location string    `json:",omitzero"` // opaque, "" when not told
	Ended    bool      `json:",omitzero"` // the encounter ended: the patient left
}

// Elapsed says that time has passed; nothing else happened.
type Elapsed struct {
	Stamp
}

func (i Started) stamp() Stamp   { return i.Stamp }
func (i Revoked) stamp() Stamp   { return i.Stamp }
func (i Charted) stamp() Stamp   { return i.Stamp }
func (i Relocated) stamp() Stamp { return i.Stamp }
func (i Elapsed) stamp() Stamp   { return i.Stamp }

// Event is what a procedure-completed event told. Pointers are nil, strings empty and
// times zero for what was not told: it is asked for, never invented.
type Event struct {
	Order            time.Time     `json:",omitzero"` // place among the events of the procedure
	Recorded         time.Time     `json:",omitzero"` // when it was received
	Refs             Refs          `json:",omitzero"`
	Kind             ProcedureKind `json:",omitzero"`
	Side             Side          `json:",omitzero"`
	Distal           bool          `json:",omitzero"`
	PerformedEnd     time.Time     `json:",omitzero"`
	CompressionStart time.Time     `json:",omitzero"`
	Volume           *Decimal      `json:",omitzero"` // air in the band at CompressionStart, mL
	VolumeBy         string        `json:",omitzero"` // who charted it
	BandMaximum      *Decimal      `json:",omitzero"` // mL, the device's own
	INR              *Decimal      `json:",omitzero"`
	Drugs            []Drug        `json:",omitzero"` // given for or before the procedure, each kind once, in order
	Sheath           *Decimal      `json:",omitzero"` // outer size in French
	Age              *int          `json:",omitzero"` // years, at the procedure
	Titrated         *bool         `json:",omitzero"` // whether the pressure was already taken down to what holds
	OtherPlan        string        `json:",omitzero"` // another episode whose plan is open on this wrist
	Dropped          []string      `json:",omitzero"` // faults for which entries of the event were left out
}

// Refs are carried through for whoever writes resources; the core compares Subject
// alone and reads none.
type Refs struct {
	Unit      string `json:",omitzero"`
	Subject   string `json:",omitzero"` // Patient/id
	Encounter string `json:",omitzero"` // Encounter/id, or "" when only known by identifier
	Procedure string `json:",omitzero"` // Procedure/id
	Request   string `json:",omitzero"` // ServiceRequest/id
	// EncounterIdentifier (system|value) stands in for Encounter.
	EncounterIdentifier string `json:",omitzero"`
}

// Finding is one bedside finding. ID is stable: a correction has the same ID and
// replaces the earlier content.
type Finding struct {
	ID       string      `json:",omitzero"`
	Code     FindingCode `json:",omitzero"`
	Found    time.Time   `json:",omitzero"` // stated time of the finding, UTC
	Recorded time.Time   `json:",omitzero"` // when the service received it, UTC
	Entry    int         `json:",omitzero"` // place within what was entered in one go
	By       string      `json:",omitzero"` // who found it
	Side     Side        `json:",omitzero"` // "" when not stated
	Answer   Answer      `json:",omitzero"`
	Amount   *Decimal    `json:",omitzero"` // mL for air, cm for a haematoma, mmHg, or a score
	Instant  time.Time   `json:",omitzero"`
	Missing  Missing     `json:",omitzero"`
	Method   Method      `json:",omitzero"`
	Drug     Drug        `json:",omitzero"` // of an anticoagulant that was given; "" when not told
	Grade    int         `json:",omitzero"` // of a haematoma, 1 to 5; 0 when not stated
	Signs    []HandSign  `json:",omitzero"` // of a hand that is not normal; empty when not stated
	Text     string      `json:",omitzero"` // for OtherFinding and remarks: what a person may want to read
}

// When is the time that computes: the stated one, but not later than it was received
// (clocks differ by minutes).
func (f Finding) When() time.Time {
	if f.Found.After(f.Recorded) {
		return f.Recorded
	}
	return f.Found
}

// Real reports whether the finding has a value and so can be evidence.
func (f Finding) Real() bool { return f.Missing == "" }

// Withdrawal says that a finding was entered in error.
type Withdrawal struct {
	Finding string `json:",omitzero"`
	By      string `json:",omitzero"`
	Entry   int    `json:",omitzero"`
}

// TaskUpdate is what a client did to a Task. Zero fields are left as they are.
type TaskUpdate struct {
	Task    TaskKey
	Status  TaskStatus // "" leaves the status
	Reason  string
	Owner   *string // nil leaves it; "" gives the Task back
	Outputs []Output
	Notes   []Note
	Start   time.Time
	End     time.Time
	By      string
	Entry   int
}

// Order is an order of a nurse or clinician.
type Order struct {
	ID       string    `json:",omitzero"`
	Code     OrderCode `json:",omitzero"`
	Given    time.Time `json:",omitzero"`
	Recorded time.Time `json:",omitzero"`
	Entry    int       `json:",omitzero"`
	By       string    `json:",omitzero"`
	Reason   string    `json:",omitzero"`
	Until    time.Time `json:",omitzero"` // end of a pause
	Time     time.Time `json:",omitzero"` // of an overriding time
	Amount   *Decimal  `json:",omitzero"` // of an overriding or adjusted volume, mL
}
