package fhir

import (
	"time"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/workflow"
)

// Notice is what an event message tells, whatever its form was.
type Notice struct {
	Event  Code   // procedure-completed, patient-moved or encounter-ended
	Source string // with ID: the identity of the message; "" when its bytes are all there is
	ID     string
	Order  time.Time // place among the events of the procedure; zero: when it arrived

	Subject   Party
	Links     []Link // of the subject, in the order of Patient.link
	Encounter Party
	Unit      string // system|value of the unit's identifier, "" when not told

	Procedure *ProcedureNotice // of procedure-completed
	Move      *MoveNotice      // of the others

	Entries  []Entry         // what is kept, in order
	Warnings []outcome.Issue // entries and values left out, and what should be known
}

// Party is a patient or an encounter that a resource refers to: an entry that came
// with it (its index in Notice.Entries), an identifier, or both. The zero Party with
// Entry -1 is nobody.
type Party struct {
	Entry      int
	Identifier *Identifier
}

// Told reports whether the party is known at all.
func (p Party) Told() bool { return p.Entry >= 0 || p.Identifier != nil }

// Entry is one resource that is kept. Names are the references in the same message
// that mean it. Identifiers starts with the one by which the resource is known.
type Entry struct {
	Type        string
	Path        string // FHIRPath within what was sent
	Names       []string
	Identifiers []Identifier
	Body        []byte // as sent
}

// Shared reports whether the resource belongs to no single episode: it is matched by
// its identifier and created once.
func (e Entry) Shared() bool {
	switch e.Type {
	case "Patient", "Encounter", "Practitioner":
		return true
	}
	return false
}

// ProcedureStatus is what the event says of the procedure.
type ProcedureStatus string

// The statuses that count, R4 event-status.
const (
	ProcedureCompleted ProcedureStatus = "completed"
	ProcedureInError   ProcedureStatus = "entered-in-error"
	ProcedureNotDone   ProcedureStatus = "not-done"
)

// ProcedureNotice is what procedure-completed tells.
type ProcedureNotice struct {
	Identifier Identifier // with the ordinal of the site: the episode's identity
	Status     ProcedureStatus
	Entry      int  // of the Procedure in Notice.Entries
	OtherRoute bool // another way in than the radial artery, and that alone
	Begin      time.Time
	Sites      []SiteNotice
}

// SiteNotice is one radial site. Event has no Refs, Order or Recorded yet. Request is
// the index of the ServiceRequest in Notice.Entries, -1 if none came.
type SiteNotice struct {
	Site
	Event   workflow.Event
	Request int
}

// MoveNotice is what patient-moved and encounter-ended tell.
type MoveNotice struct {
	Found    time.Time // zero: not told
	Location string
	Ended    bool
}

// DecodeNotice reads an event message. found is what the validator said of the same
// document: its errors in the header, the focus or the patient reject the message, its
// errors in another entry drop that entry. plain allows the forms without a
// MessageHeader. The notice is nil when there is any error among the issues; all of
// them are collected.
func DecodeNotice(doc *tree.Document, found []outcome.Issue, plain bool) (*Notice, []outcome.Issue) {
	d := &decoder{envelope: openEnvelope(doc, found), notice: &Notice{}}
	d.issues = append(d.issues, d.envelope.issues...)
	switch doc.Root.Str("resourceType") {
	case "Bundle":
		d.bundle(plain)
	case "Procedure":
		d.alone(plain)
	default:
		d.reject(outcome.Errorf(outcome.CodeStructure, "", "a Bundle of type message is expected, with a MessageHeader and a Procedure"))
	}
	if outcome.HasErrors(d.issues) {
		return nil, d.issues
	}
	return d.notice, nil
}

// decoder takes one message apart. kept maps an entry of the envelope to its index in
// Notice.Entries.
type decoder struct {
	*envelope
	notice *Notice
	issues []outcome.Issue
	kept   map[*bundleEntry]int
}

func (d *decoder) reject(issues ...outcome.Issue) { d.issues = append(d.issues, issues...) }

func (d *decoder) warn(issues ...outcome.Issue) {
	d.notice.Warnings = append(d.notice.Warnings, issues...)
}

func (d *decoder) alone(plain bool) {
	if !plain {
		d.reject(outcome.Errorf(outcome.CodeStructure, "Procedure", "a Bundle of type message is expected here, not a bare Procedure"))
		return
	}
	d.plain(&d.entries[0])
}

func (d *decoder) bundle(plain bool) {
	root := newReader(d.doc, d.doc.Root, "")
	switch kind := d.doc.Root.Str("type"); {
	case kind == "message":
		d.message(root)
	case plain && (kind == "collection" || kind == "transaction"):
		procedures := d.ofType("Procedure")
		if len(procedures) != 1 {
			root.fault(outcome.CodeStructure, "entry", d.doc.Root.Get("entry"), "exactly one Procedure is expected in a Bundle without a MessageHeader; there are %d", len(procedures))
			d.reject(root.issues...)
			return
		}
		d.notice.Order = root.readTimeAt(d.doc.Root, "timestamp", "timestamp")
		d.plain(procedures[0])
	default:
		root.fault(outcome.CodeValue, "type", d.doc.Root.Get("type"), "a Bundle of type message is expected")
		d.reject(root.issues...)
	}
}

// plain reads a message without a header: its identity is the Procedure's, if it has a
// version; else its bytes are.
func (d *decoder) plain(b *bundleEntry) {
	d.notice.Event = CodeProcedureCompleted
	d.procedure(b)
	r := newReader(d.doc, b.resource, b.path())
	meta := b.resource.Get("meta")
	if d.notice.Order.IsZero() {
		d.notice.Order = r.readTimeAt(meta, "lastUpdated", "meta.lastUpdated")
	}
	if ids := readIdentifiers(b.resource); len(ids) > 0 && meta.Str("versionId") != "" {
		d.notice.Source = ids[0].System
		d.notice.ID = ids[0].Value + "/" + meta.Str("versionId")
	}
}
