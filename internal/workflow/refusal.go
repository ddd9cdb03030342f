package workflow

import "fmt"

// RefusalKind says why an input was refused, in the words of R4 issue types.
type RefusalKind string

// The kinds of refusal.
const (
	RefusedValue    RefusalKind = "value"         // can't be: negative, absurd, in the future
	RefusedRequired RefusalKind = "required"      // something that must be told is missing
	RefusedRule     RefusalKind = "business-rule" // not allowed in this state
	RefusedNotFound RefusalKind = "not-found"     // names what is not there
)

// Refusal is the error of an input that was refused: nothing of it has taken effect.
// Entry is the place of the fault within what was entered in one go. What is merely
// against the plan is never refused.
type Refusal struct {
	Kind  RefusalKind
	Entry int
	Text  string
}

// Error gives kind and text.
func (r *Refusal) Error() string { return fmt.Sprintf("%s: %s", r.Kind, r.Text) }

func refuse(kind RefusalKind, entry int, format string, args ...any) *Refusal {
	return &Refusal{Kind: kind, Entry: entry, Text: fmt.Sprintf(format, args...)}
}
