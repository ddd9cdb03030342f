package episode

import (
	"context"
	"strings"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
)

// patient finds the Patient (Patient/id) that an entry is about. A patient who is only
// named by an identifier nobody knows is created bare, with the batch. "" means that
// there is none; the issue is noted.
func (b *batch) patient(ctx context.Context, w *work, subject fhir.Reference) (string, error) {
	if subject.Identifier != nil {
		return b.patientOf(ctx, *subject.Identifier)
	}
	ref := b.refer(subject.Reference)
	if id, ok := strings.CutPrefix(ref, "Patient/"); ok {
		_, err := b.see(ctx, b.client.Units, "Patient", id)
		switch {
		case err == nil:
			return ref, nil
		case !notFound(err):
			return "", err
		}
	}
	b.issues = append(b.issues, outcome.Errorf(outcome.CodeBusinessRule, w.root()+".subject", "this patient is not known here: name the patient by identifier; nothing was stored"))
	return "", nil
}

func (b *batch) patientOf(ctx context.Context, i fhir.Identifier) (string, error) {
	id, known, err := b.identify(ctx, "Patient", []fhir.Identifier{i})
	if err != nil {
		return "", err
	}
	if !known {
		id = b.ids.known("Patient", i)
		if b.draft.resource("Patient", id) == nil {
			r, _, err := b.successor(nil, incoming{resourceType: "Patient", body: fhir.BarePatient(i)}, id, b.draft.at)
			if err != nil {
				return "", err
			}
			b.draft.put(r, 0)
			b.draft.changes.Identities = append(b.draft.changes.Identities,
				store.Identity{Type: "Patient", System: i.System, Value: i.Value, ID: id})
		}
	}
	return "Patient/" + id, nil
}
