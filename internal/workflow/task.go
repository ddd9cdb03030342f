package workflow

import (
	"fmt"
	"time"
)

// TaskKey names a Task within its episode for ever: its code, what it is for where
// there are several purposes, and which of them it is, from 1.
type TaskKey struct {
	Code    TaskCode
	Purpose string
	Ordinal int
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
	Key          TaskKey
	Status       TaskStatus
	StatusReason string // for ends and for on-hold, a sentence
	Lateness     Lateness
	Priority     Priority
	Description  string // what to do, a sentence
	NotBefore    time.Time
	Due          time.Time // zero: bound to an event, not to the clock
	Required     []FindingCode
	Outputs      []Output
	Planned      *Decimal // mL to remove, add or count
	Book         *Book    // the volume shown, where one is
	Withheld     []Withheld
	Called       []Call
	Owner        string
	Start        time.Time // when work on it really began
	End          time.Time // when it really ended
	Skipped      bool      // a client ended it undone, with a reason
	Authored     time.Time
	Changed      time.Time
	Notes        []Note
	// Deviation is how an act already done departs from the plan; a note when the Task ends.
	// PlannedStart and PlannedDue keep its planned times while its look is waited for.
	Deviation    string
	PlannedStart time.Time
	PlannedDue   time.Time
	// Window is the first instant whose findings count for the Task.
	Window time.Time
}

// Output is a finding that a Task brought.
type Output struct {
	Code    FindingCode
	Finding string
	Missing Missing
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
	Text string
	At   time.Time
	By   string
}

// Withheld is one reason why an act is not offered, who may lift it, and when the
// question is asked again (zero: when somebody answers).
type Withheld struct {
	Reason string
	Lifter string
	Again  time.Time
	// Evidence marks a reason that a look or a test at the bedside removes: the act is
	// late all the same when nobody looks.
	Evidence bool
}

// Call is one call to a person about a Task.
type Call struct {
	Level    Level
	At       time.Time
	Answered time.Time // when the Task was claimed or ended; zero while it was not
	By       string    // who answered, "" when not told
}

// Book is the volume of air that should be in the band.
type Book struct {
	State     BookState
	Volume    Decimal // the sum of the ledger, also while uncertain; 0 while unknown
	Why       []string
	Confirmed time.Time // when it was last counted, zero if never
	By        string    // by whom
}
