package workflow

import (
	"fmt"
	"time"
)

// TaskKey names a Task within its episode for ever: its code, what it is for where
// there are several purposes, and which of them it is, from 1.
type TaskKey struct {
	Code    TaskCode `json:",omitzero"`
	Purpose string   `json:",omitzero"`
	Ordinal int      `json:",omitzero"`
}

// String is the key as text, such as "release-step/3" or "patency-check/arrival/1".
func (k TaskKey) String() string {
	if k.Purpose == "" {
		return fmt.Sprintf("%s/%d", k.Code, k.Ordinal)
	}
	return fmt.Sprintf("%s/%s/%d", k.Code, k.Purpose, k.Ordinal)
}

// Task is one thing for somebody to do.
type Task struct {
	Key          TaskKey       `json:",omitzero"`
	Status       TaskStatus    `json:",omitzero"`
	StatusReason string        `json:",omitzero"` // for ends and for on-hold, a sentence
	Lateness     Lateness      `json:",omitzero"`
	Priority     Priority      `json:",omitzero"`
	Description  string        `json:",omitzero"` // what to do, a sentence
	NotBefore    time.Time     `json:",omitzero"`
	Due          time.Time     `json:",omitzero"` // zero: bound to an event, not to the clock
	Required     []FindingCode `json:",omitzero"`
	Outputs      []Output      `json:",omitzero"`
	Planned      *Decimal      `json:",omitzero"` // mL to remove, add or count
	Book         *Book         `json:",omitzero"` // the volume shown, where one is
	Withheld     []Withheld    `json:",omitzero"`
	Called       []Call        `json:",omitzero"`
	Owner        string        `json:",omitzero"`
	Start        time.Time     `json:",omitzero"` // when work on it really began
	End          time.Time     `json:",omitzero"` // when it really ended
	Skipped      bool          `json:",omitzero"` // a client ended it undone, with a reason
	Authored     time.Time     `json:",omitzero"`
	Changed      time.Time     `json:",omitzero"`
	Notes        []Note        `json:",omitzero"`
	// Deviation is how an act already done departs from the plan; a note when the Task ends.
	// PlannedStart and PlannedDue keep its planned times while its look is waited for.
	Deviation    string    `json:",omitzero"`
	PlannedStart time.Time `json:",omitzero"`
	PlannedDue   time.Time `json:",omitzero"`
	// Window is the first instant whose findings count for the Task.
	Window time.Time `json:",omitzero"`
}

// Output is a finding that a Task brought.
type Output struct {
	Code    FindingCode `json:",omitzero"`
	Finding string      `json:",omitzero"`
	Missing Missing     `json:",omitzero"`
}

// Has reports whether the Task already has a finding of the code.
func (t Task) Has(code FindingCode) bool {
	for _, o := range t.Outputs {
		if o.Code == code {
			return true
		}
	}
	return false
}

// Lacks gives the required findings that are not there yet, in order.
func (t Task) Lacks() []FindingCode {
	var missing []FindingCode
	for _, c := range t.Required {
		if !t.Has(c) {
			missing = append(missing, c)
		}
	}
	return missing
}

// Note is a remark, by a client (By set) or by the service.
type Note struct {
	Text string    `json:",omitzero"`
	At   time.Time `json:",omitzero"`
	By   string    `json:",omitzero"`
}

// Withheld is one reason why an act is not offered, who may lift it, and when the
// question is asked again (zero: when somebody answers).
type Withheld struct {
	Reason string    `json:",omitzero"`
	Lifter string    `json:",omitzero"`
	Again  time.Time `json:",omitzero"`
	// Evidence marks a reason that a look or a test at the bedside removes: the act is
	// late all the same when nobody looks.
	Evidence bool `json:",omitzero"`
}

// Call is one call to a person about a Task.
type Call struct {
	Level    Level     `json:",omitzero"`
	At       time.Time `json:",omitzero"`
	Answered time.Time `json:",omitzero"` // when the Task was claimed or ended; zero while it was not
	By       string    `json:",omitzero"` // who answered, "" when not told
}

// Book is the volume of air that should be in the band.
type Book struct {
	State     BookState `json:",omitzero"`
	Volume    Decimal   `json:",omitzero"` // the sum of the ledger, also while uncertain; 0 while unknown
	Why       []string  `json:",omitzero"`
	Confirmed time.Time `json:",omitzero"` // when it was last counted, zero if never
	By        string    `json:",omitzero"` // by whom
}
