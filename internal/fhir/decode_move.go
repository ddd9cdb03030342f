package fhir

import (
	"time"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
)

// move reads the encounter of patient-moved and encounter-ended.
func (d *decoder) move(b *bundleEntry) {
	d.reject(d.faults[b.index]...)
	r := d.reader(b)
	d.notice.Encounter = Party{Entry: -1}
	if ids := readIdentifiers(b.resource); len(ids) > 0 {
		d.notice.Encounter.Identifier = &ids[0]
	} else {
		r.fault(outcome.CodeRequired, "identifier", r.root.Get("identifier"), "an identifier with a value is needed to find the patient's plans")
	}
	d.party(r, "subject", "Patient", &d.notice.Subject)
	if !d.notice.Subject.Told() {
		r.fault(outcome.CodeRequired, "subject", r.root.Get("subject"), "the patient must be in the Bundle or be named by subject.identifier")
	}
	d.unitOf(b)
	d.keep(b)
	d.notice.Encounter.Entry = d.kept[b]
	m := &MoveNotice{Ended: d.notice.Event == CodeEncounterEnded}
	if m.Ended {
		m.Found = r.readTimeAt(r.root.Get("period"), "end", "period.end")
	} else {
		m.Location, m.Found = d.whereabouts(r)
	}
	d.notice.Move = m
	for i := range d.entries {
		if e := &d.entries[i]; e.resource.Str("resourceType") == "Practitioner" {
			d.keepSound(e)
		}
	}
	d.notice.Warnings = append(d.notice.Warnings, warnings(r.issues)...)
	d.reject(errorsOf(r.issues)...)
}

func (d *decoder) unitOf(b *bundleEntry) {
	d.notice.Unit = d.identifierOf(b.resource.Get("serviceProvider"))
}

// whereabouts gives the place where the patient is now: the last active location, else
// the last one that is told.
func (d *decoder) whereabouts(r *reader) (place string, since time.Time) {
	var here *tree.Node
	for n := range r.root.Get("location").Items() {
		if n.Str("status") == "active" || !here.Is(tree.Object) || here.Str("status") != "active" {
			here = n
		}
	}
	if here == nil {
		r.warn(outcome.CodeRequired, "location", nil, "the message does not say where the patient is now")
		return "", since
	}
	place = d.identifierOf(here.Get("location"))
	if place == "" {
		place = readReference(here.Get("location")).Label()
	}
	return place, r.readTimeAt(here.Get("period"), "start", "location.period.start")
}
