package fhir

import (
	"strings"

	"fhirsvc/internal/fhir/outcome"
)

// message reads a Bundle of type message: its time, its header, and what the header's
// focus is.
func (d *decoder) message(root *reader) {
	t, ok := readTime(root.root.Get("timestamp"))
	switch {
	case root.root.Get("timestamp") == nil:
		root.fault(outcome.CodeRequired, "timestamp", nil, "a message needs a timestamp: it orders the events of one procedure")
	case !ok:
		root.fault(outcome.CodeValue, "timestamp", root.root.Get("timestamp"), "this is not an instant with an offset")
	}
	d.notice.Order = t
	d.reject(root.issues...)
	if len(d.entries) == 0 || d.entries[0].index != 0 || d.entries[0].resource.Str("resourceType") != "MessageHeader" {
		d.reject(outcome.Errorf(outcome.CodeStructure, "Bundle.entry[0]", "the first entry of a message is its MessageHeader"))
		return
	}
	header := &d.entries[0]
	d.reject(d.faults[header.index]...)
	d.header(d.reader(header), header.fullURL)
}

// header reads the MessageHeader. Some libraries leave a resource's id out where the entry's
// fullUrl is a UUID; then that is the message's identity.
func (d *decoder) header(r *reader, fullURL string) {
	d.notice.Source = r.root.Get("source").Str("endpoint")
	if d.notice.Source == "" {
		r.fault(outcome.CodeRequired, "source.endpoint", r.root.Get("source"), "the endpoint of the sender is needed: with the header's id it is the identity of the message")
	}
	d.notice.ID = r.root.Str("id")
	if uuid, ok := strings.CutPrefix(fullURL, "urn:uuid:"); ok && d.notice.ID == "" {
		d.notice.ID = uuid
	}
	if d.notice.ID == "" {
		r.fault(outcome.CodeRequired, "id", nil, "the header's id, or a UUID as its fullUrl, is needed: it is the identity of the message")
	}
	event := readCoding(r.root.Get("eventCoding"))
	focus := d.focus(r)
	switch {
	case event.Is(SystemLocal, string(CodeProcedureCompleted)):
		d.notice.Event = CodeProcedureCompleted
		d.focused(r, focus, "Procedure", d.procedure)
	case event.Is(SystemLocal, string(CodePatientMoved)), event.Is(SystemLocal, string(CodeEncounterEnded)):
		d.notice.Event = Code(event.Code)
		d.focused(r, focus, "Encounter", d.move)
	case event == Coding{}:
		r.fault(outcome.CodeRequired, "event", nil, "eventCoding says what happened: %s, %s or %s of %s",
			CodeProcedureCompleted, CodePatientMoved, CodeEncounterEnded, SystemLocal)
	default:
		r.fault(outcome.CodeCodeInvalid, "event", r.root.Get("eventCoding"), "this event is not taken in: send %s, %s or %s of %s",
			CodeProcedureCompleted, CodePatientMoved, CodeEncounterEnded, SystemLocal)
	}
	d.reject(r.issues...)
}

// focus gives the entry that the header is about, nil if there is none.
func (d *decoder) focus(r *reader) *bundleEntry {
	for n := range r.root.Get("focus").Items() {
		if b := d.find(n.Str("reference")); b != nil {
			return b
		}
	}
	return nil
}

func (d *decoder) focused(r *reader, b *bundleEntry, kind string, read func(*bundleEntry)) {
	if b == nil || b.resource.Str("resourceType") != kind {
		r.fault(outcome.CodeRequired, "focus", r.root.Get("focus"), "the focus must be the %s in this Bundle", kind)
		return
	}
	read(b)
}
