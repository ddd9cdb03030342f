package episode

import (
	"context"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/workflow"
)

// move tells the open plans of an encounter that the patient moved or left.
func (r *reception) move(ctx context.Context, d *draft, q *quarantine) error {
	all, err := r.episodesOfSubject(ctx, r.subject)
	if err != nil {
		return err
	}
	m := r.notice.Move
	in := workflow.Relocated{
		Stamp: workflow.Stamp{At: d.at, ID: r.key.Source + "|" + r.key.ID},
		Found: m.Found, Location: m.Location, Ended: m.Ended,
	}
	if in.Found.IsZero() {
		in.Found = r.order
	}
	found := false
	for _, l := range all {
		if !r.units().Has(l.state.Refs.Unit) || !l.open() || !l.during(r.encounter, r.notice.Encounter.Identifier) {
			continue
		}
		found, q.episode, q.unit = true, l.id, l.state.Refs.Unit
		if err := d.advance(l, in); err != nil {
			return err
		}
	}
	if !found {
		r.warn(outcome.CodeNotFound, "MessageHeader.focus", "no open plan belongs to this encounter: nothing changes")
	}
	return nil
}

// during reports whether the episode belongs to an encounter. One whose event told no
// encounter may belong to any of the patient's.
func (l *loaded) during(encounter string, id *fhir.Identifier) bool {
	own := l.state.Refs
	switch {
	case own.Encounter == "" && own.EncounterIdentifier == "":
		return true
	case own.Encounter != "" && own.Encounter == encounter:
		return true
	}
	return id != nil && own.EncounterIdentifier == id.Token()
}
