package workflow

import "time"

// Input is a fact that reached the service. The set is closed.
//
//sumtype:decl
type Input interface{ stamp() Stamp }

// Stamp stands on every input: when the service received it (UTC) and its id, which
// is stable over retries. Inputs of one episode have rising instants.
type Stamp struct {
	At time.Time
	ID string
}

// Started is a procedure-completed event: the first starts the episode, a later one
// corrects it. Which of several counts is decided by Event.Order.
type Started struct {
	Stamp
	Event Event
}

// Revoked is the same event entered in error, or a procedure not done.
type Revoked struct {
	Stamp
	Order  time.Time // place among the events of the procedure, as Event.Order
	Reason string    // entered-in-error or not-done
}

// Charted is what one client entered in one go: findings, withdrawals, Task updates
// and orders. They take effect in order of Found, then Entry.
type Charted struct {
	Stamp
	Findings  []Finding
	Withdrawn []Withdrawal
	Updates   []TaskUpdate
	Orders    []Order
}

// Relocated says that the patient moved to another place, or that the encounter ended.
type Relocated struct {
	Stamp
	Found    time.Time
	Location string // opaque, "" when not told
	Ended    bool   // the encounter ended: the patient left
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
	Order            time.Time // place among the events of the procedure
	Recorded         time.Time // when it was received
	Refs             Refs
	Kind             ProcedureKind
	Side             Side
	Distal           bool
	PerformedEnd     time.Time
	CompressionStart time.Time
	Volume           *Decimal // air in the band at CompressionStart, mL
	VolumeBy         string   // who charted it
	BandMaximum      *Decimal // mL, the device's own
	INR              *Decimal
	Drugs            []Drug   // given for or before the procedure, each kind once, in order
	Sheath           *Decimal // outer size in French
	Age              *int     // years, at the procedure
	Titrated         *bool    // whether the pressure was already taken down to what holds
	OtherPlan        string   // another episode whose plan is open on this wrist
	Dropped          []string // faults for which entries of the event were left out
}

// Refs are carried through for whoever writes resources; the core compares Subject
// alone and reads none.
type Refs struct {
	Unit      string
	Subject   string // Patient/id
	Encounter string // Encounter/id, or "" when only known by identifier
	Procedure string // Procedure/id
	Request   string // ServiceRequest/id
	// EncounterIdentifier (system|value) stands in for Encounter.
	EncounterIdentifier string
}

// Finding is one bedside finding. ID is stable: a correction has the same ID and
// replaces the earlier content.
type Finding struct {
	ID       string
	Code     FindingCode
	Found    time.Time // stated time of the finding, UTC
	Recorded time.Time // when the service received it, UTC
	Entry    int       // place within what was entered in one go
	By       string    // who found it
	Side     Side      // "" when not stated
	Answer   Answer
	Amount   *Decimal // mL for air, cm for a haematoma, mmHg, or a score
	Instant  time.Time
	Missing  Missing
	Method   Method
	Drug     Drug       // of an anticoagulant that was given; "" when not told
	Grade    int        // of a haematoma, 1 to 5; 0 when not stated
	Signs    []HandSign // of a hand that is not normal; empty when not stated
	Text     string     // for OtherFinding and remarks: what a person may want to read
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
	Finding string
	By      string
	Entry   int
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
	ID       string
	Code     OrderCode
	Given    time.Time
	Recorded time.Time
	Entry    int
	By       string
	Reason   string
	Until    time.Time // end of a pause
	Time     time.Time // of an overriding time
	Amount   *Decimal  // of an overriding or adjusted volume, mL
}
