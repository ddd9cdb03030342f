package workflow

import "time"

// concern is something that a person must decide. Cause names it; of one cause there is
// one review at a time. At is when it arose.
type concern struct {
	cause     string
	priority  Priority
	text      string
	at        time.Time
	withholds bool      // no release while nobody has answered
	byOrder   bool      // an order alone is an answer
	cleared   bool      // a later finding took it back
	over      bool      // it got better since, and still waits for its answer: again is a new cause
	told      time.Time // when it was entered; zero when no finding told it
}

// concern notes something for a person to decide.
func (v *view) concern(cause string, priority Priority, at time.Time, text string) {
	v.raise(concern{cause: cause, priority: priority, text: text, at: at})
}

// withhold is a concern that stops releases until a person has answered.
func (v *view) withhold(cause string, priority Priority, at time.Time, text string) {
	v.raise(concern{cause: cause, priority: priority, text: text, at: at, withholds: true})
}

// raise keeps a concern unless the same cause is already there, no less urgent and not
// taken back: one cause, one call, repeated only when it gets worse.
func (v *view) raise(c concern) {
	for _, old := range v.concerns {
		if old.cause == c.cause && !old.cleared && !old.over && old.priority.rank() >= c.priority.rank() {
			return
		}
	}
	c.told = v.entered
	v.concerns = append(v.concerns, c)
}

// passed notes that a cause got better: what is found of it from now on is asked anew.
func (v *view) passed(cause string) {
	v.each(cause, func(c *concern) { c.over = true })
}

// clear ends the withholding of a cause: a later finding is normal.
func (v *view) clear(cause string) {
	v.each(cause, func(c *concern) { c.cleared = true })
}

func (v *view) each(cause string, change func(c *concern)) {
	for i := range v.concerns {
		if v.concerns[i].cause == cause {
			change(&v.concerns[i])
		}
	}
}
