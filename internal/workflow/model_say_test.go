package workflow_test

import (
	"fmt"
	"strings"
	"time"

	"fhirsvc/internal/workflow"
)

// say writes an input as a line of a bedside story (testdata/scenario).
func say(in workflow.Input) string {
	switch in := in.(type) {
	case workflow.Started:
		return sayEvent(in)
	case workflow.Revoked:
		return fmt.Sprintf("revoke at=%s reason=%s", clock(in.At), in.Reason)
	case workflow.Charted:
		return sayCharted(in)
	case workflow.Relocated:
		if in.Ended {
			return "leave at=" + clock(in.At)
		}
		return "move at=" + clock(in.At)
	case workflow.Elapsed:
		return "clock to=" + clock(in.At)
	}
	return "?"
}

// clock gives the minute, and what is beyond it.
func clock(t time.Time) string {
	if t.IsZero() {
		return "-"
	}
	whole := t.Truncate(time.Minute)
	if rest := t.Sub(whole); rest > 0 {
		return hhmm(whole) + "+" + rest.String()
	}
	return hhmm(whole)
}

func sayEvent(in workflow.Started) string {
	ev := in.Event
	var b strings.Builder
	fmt.Fprintf(&b, "start at=%s kind=%s side=%s compression=%s patient=%s", clock(in.At), ev.Kind, ev.Side, clock(ev.CompressionStart), ev.Refs.Subject)
	if !ev.Order.Equal(in.At) {
		fmt.Fprintf(&b, " order=%s", clock(ev.Order))
	}
	if ev.Volume != nil {
		fmt.Fprintf(&b, " volume=%s", ev.Volume)
	}
	if ev.OtherPlan != "" {
		fmt.Fprintf(&b, " other=%s", ev.OtherPlan)
	}
	return b.String()
}

func sayCharted(in workflow.Charted) string {
	var words []string
	for _, f := range in.Findings {
		words = append(words, sayFinding(in.At, f))
	}
	for _, w := range in.Withdrawn {
		words = append(words, "withdraw finding="+w.Finding)
	}
	for _, o := range in.Orders {
		words = append(words, fmt.Sprintf("order code=%s until=%s time=%s amount=%v", o.Code, clock(o.Until), clock(o.Time), o.Amount))
	}
	for _, u := range in.Updates {
		text := fmt.Sprintf("task key=%s status=%s", u.Task, u.Status)
		if u.Owner != nil {
			text += " owner=" + *u.Owner
		}
		if u.Reason != "" {
			text += " reason=" + u.Reason
		}
		for _, o := range u.Outputs {
			text += " output=" + o.Finding
		}
		words = append(words, text)
	}
	return fmt.Sprintf("observe at=%s %s", clock(in.At), strings.Join(words, " "))
}

func sayFinding(at time.Time, f workflow.Finding) string {
	value := string(f.Answer)
	switch {
	case f.Missing != "":
		value = string(f.Missing)
	case !f.Instant.IsZero():
		value = clock(f.Instant)
	case f.Amount != nil && value == "":
		value = f.Amount.String()
	case f.Amount != nil:
		value += "(" + f.Amount.String() + ")"
	}
	text := fmt.Sprintf("%s=%s", f.Code, value)
	if f.Method != "" && !f.Method.ShowsPatency() {
		text += " method=" + string(f.Method)
	}
	if f.Side != "" {
		text += " side=" + string(f.Side)
	}
	if !f.Found.Equal(at) {
		text += " found=" + clock(f.Found)
	}
	return text + " id=" + f.ID
}
