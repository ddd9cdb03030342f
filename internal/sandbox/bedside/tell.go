package bedside

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"fhirsvc/internal/workflow"
)

// tell prints one line: when, who, what. Whoever has stopped listening hears nothing.
func (p *play) tell(who, what string) {
	_, _ = fmt.Fprintf(p.Out, "%s  %-17s  %s\n", clockTime(p.now), who, what)
}

// who does such a Task.
func who(t Task) Person {
	if t.Code == "clinician-review" {
		return Doctor()
	}
	return Nurse()
}

// label is the Task in plain words, such as "release step 3".
func (t Task) label() string {
	words := strings.ReplaceAll(t.Code, "-", " ")
	if i := strings.LastIndex(t.Key, "/"); i >= 0 && t.Code == "release-step" {
		return words + " " + t.Key[i+1:]
	}
	return words
}

// served names the other Tasks that the same look has completed.
func served(t Task, before, after []Task) string {
	var labels []string
	for _, b := range before {
		i := slices.IndexFunc(after, func(a Task) bool { return a.ID == b.ID })
		if b.ID != t.ID && b.Open() && i >= 0 && after[i].Status == "completed" {
			labels = append(labels, b.label())
		}
	}
	if labels == nil {
		return ""
	}
	return " (serves the " + strings.Join(labels, " and the ") + " too)"
}

// inBand is the volume in the band as the open Tasks tell it: in words where one shows
// it, else by what the steps still to come are planned to let out; "" when none does.
func inBand(tasks []Task) string {
	const prefix = "Volume in the band: "
	for _, t := range tasks {
		for _, n := range t.Notes {
			if text, ok := strings.CutPrefix(n, prefix); ok && t.Open() {
				volume, _, _ := strings.Cut(text, ",")
				return "In the band: " + volume + ". "
			}
		}
	}
	var left workflow.Decimal
	for _, t := range tasks {
		if t.Code == "release-step" && t.Open() && len(t.Outputs) == 0 && t.Planned != "" {
			left = left.Add(workflow.MustDecimal(t.Planned))
		}
	}
	if left.Sign() == 0 {
		return ""
	}
	return "In the band: " + left.String() + " mL. "
}

// statFirst gives the Tasks in the order in which a nurse does them: stat ones, then by
// their due times.
func statFirst(tasks []Task) []Task {
	order := slices.Clone(tasks)
	slices.SortStableFunc(order, func(a, b Task) int {
		switch {
		case (a.Priority == "stat") == (b.Priority == "stat"):
			return 0
		case a.Priority == "stat":
			return -1
		}
		return 1
	})
	return order
}

// next says which Task is due next.
func next(tasks []Task) string {
	for _, t := range statFirst(tasks) {
		switch {
		case !t.Turn():
		case t.Due.IsZero():
			return "Next: " + t.label()
		case t.Priority == "stat" || t.Priority == "asap":
			return fmt.Sprintf("NEXT, %s: %s%s", strings.ToUpper(t.Priority), t.label(), t.plan())
		default:
			return fmt.Sprintf("Next: %s%s, due %s", t.label(), t.plan(), clockTime(t.Due))
		}
	}
	return "Nothing is due"
}

func (t Task) plan() string {
	if t.Planned == "" {
		return ""
	}
	return " of " + t.Planned + " mL"
}

// ended reports in which state a plan is no longer open.
func ended(status string) bool { return status == "completed" || status == "revoked" }

// clockTime is how instants are printed.
func clockTime(t time.Time) string { return t.UTC().Format("15:04") }
