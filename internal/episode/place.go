package episode

import (
	"slices"
	"time"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/workflow"
)

const (
	// adoptWithin is how long a finding that fits no plan waits for its event.
	adoptWithin = 12 * time.Hour
	// afterEnd is how long after its end a plan still takes in what was found later: a
	// first follow-up of the artery is at about 30 days (judgement).
	afterEnd = 31 * 24 * time.Hour
)

// hints are all that an entry says about where it belongs.
type hints struct {
	found      time.Time
	side       workflow.Side
	patient    bool     // of the patient as a whole
	procedures []string // Procedure/id
	encounter  string   // Encounter/id
	identifier *fhir.Identifier
}

// placement is where an entry belongs.
type placement struct {
	episodes []*loaded
	// comparison: it names the other wrist of a patient who has a plan.
	comparison bool
	// ambiguous: it can only be true of one wrist, and more than one fits.
	ambiguous bool
}

// place finds the episodes of a patient that an entry belongs to. Every hint filters: a
// stated side always; a procedure; an encounter, unless the episode's event told none.
// An episode in whose time the entry lies goes before one that had ended by then.
func place(all []*loaded, h hints) placement {
	var fit []*loaded
	for _, l := range all {
		if l.begun(h.found) && l.about(h) {
			fit = append(fit, l)
		}
	}
	sided := slices.DeleteFunc(slices.Clone(fit), func(l *loaded) bool {
		return h.side != "" && l.side() != "" && l.side() != h.side
	})
	fit, comparison := sided, len(sided) < len(fit) && len(sided) == 0
	running := slices.DeleteFunc(slices.Clone(fit), func(l *loaded) bool { return !l.running(h.found) })
	if len(running) > 0 {
		fit = running
	} else {
		fit = slices.DeleteFunc(fit, func(l *loaded) bool { return l.over(h.found, all) })
	}
	return placement{episodes: fit, comparison: comparison, ambiguous: !h.patient && len(fit) > 1}
}

// begun reports whether the episode's time had begun.
func (l *loaded) begun(at time.Time) bool {
	return !l.state.Begin.IsZero() && !at.Before(l.state.Begin)
}

// about reports whether the references given lead to the episode.
func (l *loaded) about(h hints) bool {
	if len(h.procedures) > 0 && !slices.Contains(h.procedures, l.state.Refs.Procedure) {
		return false
	}
	return h.encounter == "" && h.identifier == nil || l.during(h.encounter, h.identifier)
}

// running reports whether the episode had not ended at an instant.
func (l *loaded) running(at time.Time) bool {
	return l.open() || at.Before(l.core.Plan.End)
}

// over reports whether an ended episode no longer takes in what was found at an
// instant: it is too long ago, or another plan began on the same wrist since.
func (l *loaded) over(at time.Time, all []*loaded) bool {
	if at.After(l.core.Plan.End.Add(afterEnd)) {
		return true
	}
	return slices.ContainsFunc(all, func(o *loaded) bool {
		return o.id != l.id && o.side() == l.side() && o.state.Begin.After(l.state.Begin) && !at.Before(o.state.Begin)
	})
}
