package workflow

import "time"

// RulesVersion names the rules by which Step computes. It changes when the same inputs
// would give another state.
const RulesVersion = 1

// Episode is the state of one wrist from the procedure to discharge: the facts as they
// were told and the Tasks as they were given out. All else is computed from these.
type Episode struct {
	ID       string    `json:",omitzero"`
	Protocol *Protocol `json:",omitzero"` // nil when none fits: then a person is asked
	// NoProtocol says why there is none.
	NoProtocol string `json:",omitzero"`

	Events    []Event      `json:",omitzero"`
	Revoked   []Revoked    `json:",omitzero"`
	Findings  []Finding    `json:",omitzero"` // in order of When, Recorded, ID
	Withdrawn []Withdrawal `json:",omitzero"`
	Orders    []Order      `json:",omitzero"`
	Moves     []Relocated  `json:",omitzero"`
	Skips     []time.Time  `json:",omitzero"` // release steps that were refused or skipped

	Tasks  []Task    `json:",omitzero"` // in order of creation
	Flags  []Flag    `json:",omitzero"` // in order of creation
	Issues []Issue   `json:",omitzero"` // in order of creation
	Plan   Plan      `json:",omitzero"`
	Last   time.Time `json:",omitzero"` // instant of the last input
}

// New returns the state before the first input. A nil protocol needs a reason.
func New(id string, p *Protocol, noProtocol string) Episode {
	return Episode{ID: id, Protocol: p, NoProtocol: noProtocol}
}

// Task finds a Task by its key; nil if there is none.
func (e *Episode) Task(k TaskKey) *Task {
	for i := range e.Tasks {
		if e.Tasks[i].Key == k {
			return &e.Tasks[i]
		}
	}
	return nil
}

// Ledger gives the entries of the volume ledger in order; they add up to the book.
func (e *Episode) Ledger() []Entry { return newView(e).ledger.entries }
