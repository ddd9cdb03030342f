package episode

import (
	"context"
	"slices"
	"strings"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/store"
)

// units are those that the sender of an event may write for.
func (r *reception) units() Units { return r.by.Units }

// permit refuses an event for a unit that its sender may not write for (forbidden), and
// one about a procedure that is another unit's, as if that were not there (not-found).
func (r *reception) permit(ctx context.Context) error {
	const op = "take message"
	if r.units().All() {
		return nil
	}
	told := r.notice.Unit != "" || r.notice.Procedure != nil
	if told && !r.units().Has(r.notice.Unit) {
		return outcome.Fail(outcome.CodeForbidden, op, "the event is not of a unit of this client: its unit is Procedure.location's identifier, else that of Encounter.serviceProvider")
	}
	if r.notice.Procedure == nil {
		return nil
	}
	episodes, err := r.episodesOf(ctx, r.notice.Procedure)
	if err != nil {
		return err
	}
	others := func(l *loaded) bool { return l.version > 0 && !r.units().Has(l.state.Refs.Unit) }
	if slices.ContainsFunc(episodes, others) {
		return outcome.Fail(outcome.CodeNotFound, OpHidden, "there is no such procedure")
	}
	return nil
}

// access is how the event is recorded with what it changed: the Procedure, or what the service
// wrote first, and beside it whatever is shared.
func (r *reception) access(d *draft) fhir.Access {
	x := r.by.Access()
	x.Interaction, x.Unit = "operation", r.notice.Unit
	if r.subject != "" {
		x.Patient = []string{r.subject}
	}
	if d == nil {
		return x
	}
	for i, v := range d.changes.Resources {
		switch {
		case d.isShared(i):
			x.Included = append(x.Included, versioned(v))
			for _, patient := range Patients(v) {
				if !slices.Contains(x.Patient, patient) {
					x.Patient = append(x.Patient, patient)
				}
			}
		case v.Type == "Provenance":
		case x.Data == "" || v.Type == "Procedure":
			x.Type, x.Data = v.Type, versioned(v)
		}
	}
	return x
}

// noteRepeat records an event that changed nothing.
func (r *reception) noteRepeat() {
	if r.Auditor != nil {
		r.Auditor.Note(r.access(nil))
	}
}

// Patients gives the patients that a resource is about, as references.
func Patients(r store.Resource) []string {
	if r.Type == "Patient" {
		return []string{"Patient/" + r.ID}
	}
	doc, _ := tree.Parse(r.Body)
	if doc == nil {
		return nil
	}
	for _, element := range []string{"subject", "for", "patient"} {
		if ref := doc.Root.Get(element).Str("reference"); strings.HasPrefix(ref, "Patient/") {
			return []string{ref}
		}
	}
	return nil
}
