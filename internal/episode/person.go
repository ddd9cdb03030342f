package episode

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
)

// mostRecords is how many records of one person are followed: more is no merge, but a
// mistake.
const mostRecords = 16

// person gives all records (Patient/id) of the person whose record it is: itself first, then
// those that it replaces or that replace it, and so on. Two records are of one person only
// if a link says so.
func (s *Service) person(ctx context.Context, subject string) ([]string, error) {
	records := []string{subject}
	for i := 0; i < len(records) && len(records) < mostRecords; i++ {
		linked, err := s.linked(ctx, records[i])
		if err != nil {
			return nil, err
		}
		for _, ref := range linked {
			if !slices.Contains(records, ref) {
				records = append(records, ref)
			}
		}
	}
	return records, nil
}

// linked gives the records that a record is linked to, by its own links or by theirs.
func (s *Service) linked(ctx context.Context, record string) ([]string, error) {
	id := strings.TrimPrefix(record, "Patient/")
	r, err := s.Store.Read(ctx, "Patient", id)
	if notFound(err) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	own := fhir.Linked(r.Body)
	all := append(own[fhir.LinkReplaces], own[fhir.LinkReplacedBy]...)
	linking, err := s.linking(ctx, id)
	if err != nil {
		return nil, err
	}
	for _, other := range linking {
		theirs := fhir.Linked(other.Body)
		if slices.Contains(append(theirs[fhir.LinkReplaces], theirs[fhir.LinkReplacedBy]...), record) {
			all = append(all, "Patient/"+other.ID)
		}
	}
	return all, nil
}

// survivor gives the record that stands for a person: the one at the end of the links
// "replaced-by". A circle of links has no end: then it is the record itself.
func (s *Service) survivor(ctx context.Context, record string) (string, error) {
	seen := []string{record}
	for {
		last := seen[len(seen)-1]
		r, err := s.Store.Read(ctx, "Patient", strings.TrimPrefix(last, "Patient/"))
		if notFound(err) {
			return last, nil
		}
		if err != nil {
			return "", err
		}
		next := fhir.Linked(r.Body)[fhir.LinkReplacedBy]
		switch {
		case len(next) == 0:
			return last, nil
		case len(next) > 1 || slices.Contains(seen, next[0]):
			return record, nil
		}
		seen = append(seen, next[0])
	}
}

// linking is what the links of an event's patient mean in the store.
type linking struct {
	to     []string // Patient/id of each link, "" where it is not known here
	claims []fhir.Identifier
	old    []string // records that the patient's replaces
}

// links finds the records that the event's patient is linked to. One that is not known here
// is known by its identifier from now on as this patient. One that another unit sees alone
// is left alone, and somebody is asked.
func (r *reception) links(ctx context.Context) (linking, error) {
	var l linking
	for _, link := range r.notice.Links {
		l.to = append(l.to, "")
		if !link.Type.Merges() {
			continue
		}
		id, known, err := r.identify(ctx, "Patient", link.Identifiers)
		switch {
		case err != nil:
			return l, err
		case len(link.Identifiers) == 0:
			r.doubt("it is linked to a record that is not in the Bundle and has no identifier")
			continue
		case !known && link.Type == fhir.LinkReplaces:
			l.claims = append(l.claims, link.Identifiers...)
			continue
		case !known:
			continue
		}
		if !r.units().All() {
			_, err := r.see(ctx, r.units(), "Patient", id)
			if notFound(err) {
				r.doubt("it is linked to a record that is not of this unit")
				continue
			}
			if err != nil {
				return l, err
			}
		}
		l.to[len(l.to)-1] = "Patient/" + id
		if link.Type == fhir.LinkReplaces {
			l.old = append(l.old, "Patient/"+id)
		}
	}
	return l, nil
}

// doubt has a clinician asked who the patient of the event is.
func (r *reception) doubt(why string) {
	text := "the identity of the patient is in doubt: " + why
	r.warn(outcome.CodeBusinessRule, "Patient", text)
	r.doubts = append(r.doubts, text)
}

// oneRecord doubts a patient whose identifiers are held by records that no link joins.
func (r *reception) oneRecord(ctx context.Context, ids []fhir.Identifier) error {
	var first []string
	for _, i := range ids {
		id, held, err := r.Store.Identity(ctx, "Patient", i.System, i.Value)
		if err != nil {
			return err
		}
		switch {
		case !held || slices.Contains(first, "Patient/"+id):
		case first == nil:
			if first, err = r.person(ctx, "Patient/"+id); err != nil {
				return err
			}
		default:
			r.doubt("its identifiers belong to two records here, and no link says that they are of one person")
			return nil
		}
	}
	return nil
}

// retire marks the records that a patient's replaces: no longer active, with a link to it.
func (r *reception) retire(ctx context.Context, d *draft, old []string, by string) error {
	for _, record := range old {
		if record == by {
			continue
		}
		current, err := r.Store.Read(ctx, "Patient", strings.TrimPrefix(record, "Patient/"))
		if err != nil {
			return fmt.Errorf("retire %s: %w", record, err)
		}
		if len(fhir.Linked(current.Body)[fhir.LinkReplacedBy]) > 0 {
			continue
		}
		v, changed, err := r.successor(&current, incoming{resourceType: "Patient", body: fhir.Retired(current.Body, by)}, current.ID, d.at)
		if err != nil {
			return fmt.Errorf("retire %s: %w", record, err)
		}
		if changed {
			r.putShared(d, v, nil, r.order)
		}
	}
	return nil
}
