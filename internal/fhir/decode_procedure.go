package fhir

import (
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/workflow"
)

// procedure reads the procedure of an event and all that came beside it.
func (d *decoder) procedure(b *bundleEntry) {
	d.reject(d.faults[b.index]...)
	r := d.reader(b)
	p := &ProcedureNotice{}
	d.notice.Procedure = p
	if ids := readIdentifiers(b.resource); len(ids) > 0 {
		p.Identifier = ids[0]
	} else {
		r.fault(outcome.CodeRequired, "identifier", r.root.Get("identifier"), "an identifier with a value is needed: it is the identity of the episode")
	}
	p.Status = readProcedureStatus(r)
	d.party(r, "subject", "Patient", &d.notice.Subject)
	if !d.notice.Subject.Told() {
		r.fault(outcome.CodeRequired, "subject", r.root.Get("subject"), "the patient must be in the Bundle or be named by subject.identifier")
	}
	d.party(r, "encounter", "Encounter", &d.notice.Encounter)
	d.unit(r)
	d.keep(b)
	p.Entry = d.kept[b]
	sites, other := readSites(b.resource, finder(d.entries, b.resource))
	p.OtherRoute = other
	d.template(r, p, sites)
	d.beside(b)
	d.notice.Warnings = append(d.notice.Warnings, warnings(r.issues)...)
	d.reject(errorsOf(r.issues)...)
}

func readProcedureStatus(r *reader) ProcedureStatus {
	switch s := ProcedureStatus(r.root.Str("status")); s {
	case ProcedureCompleted, ProcedureInError, ProcedureNotDone:
		return s
	case "":
		r.fault(outcome.CodeRequired, "status", nil, "status is needed: completed, entered-in-error or not-done")
	default:
		r.fault(outcome.CodeBusinessRule, "status", r.root.Get("status"), "a procedure counts when it is completed, entered-in-error or not-done; this one is neither")
	}
	return ""
}

// template fills what all sites of the procedure share.
func (d *decoder) template(r *reader, p *ProcedureNotice, sites []Site) {
	kind, known := ReadKind(readConcept(r.root.Get("code")))
	if !known {
		r.warn(outcome.CodeCodeInvalid, "code", r.root.Get("code"), "this code says neither diagnostic nor intervention: no protocol is chosen, a clinician is asked")
	}
	period := r.root.Get("performedPeriod")
	p.Begin = r.readTimeAt(period, "start", "performed.start")
	end := r.readTimeAt(period, "end", "performed.end")
	ended := period.Get("end")
	if end.IsZero() {
		end, ended = r.readTimeAt(r.root, "performedDateTime", "performed"), r.root.Get("performedDateTime")
	}
	if p.Begin.IsZero() {
		p.Begin = end
	}
	for _, s := range sites {
		p.Sites = append(p.Sites, SiteNotice{Site: s, Request: -1, Event: workflow.Event{
			Kind: kind, Side: s.Side, Distal: s.Distal, PerformedEnd: end, Age: d.age(ended),
		}})
		if s.Side == "" {
			r.warn(outcome.CodeBusinessRule, "bodySite", r.root.Get("bodySite"), "the wrist can't be read: no release is planned, a clinician is asked")
		}
	}
}

// party reads a reference to a patient or encounter that came along or has an
// identifier.
func (d *decoder) party(r *reader, element, kind string, p *Party) {
	*p = Party{Entry: -1}
	n := r.root.Get(element)
	if n == nil {
		return
	}
	ref := readReference(n)
	p.Identifier = ref.Identifier
	b := d.find(ref.Reference)
	if b == nil || b.resource.Str("resourceType") != kind {
		return
	}
	faults := d.faults[b.index]
	ids := readIdentifiers(b.resource)
	if len(ids) == 0 {
		faults = append(faults, outcome.Errorf(outcome.CodeRequired, b.path()+".identifier", "an identifier with a value is needed to match the %s", kind))
	}
	if len(faults) > 0 {
		d.refuseParty(kind, b, faults)
		return
	}
	p.Identifier = &ids[0]
	d.keep(b)
	p.Entry = d.kept[b]
	if kind == "Patient" {
		d.links(b)
	}
}

// refuseParty: the message can't do without its patient; an encounter is left out.
func (d *decoder) refuseParty(kind string, b *bundleEntry, faults []outcome.Issue) {
	if kind == "Patient" {
		d.reject(faults...)
		return
	}
	d.drop(b, faults)
}

// unit reads which unit the event belongs to: the location's identifier, else that of
// the encounter's provider.
func (d *decoder) unit(r *reader) {
	d.notice.Unit = d.identifierOf(r.root.Get("location"))
	if d.notice.Unit != "" {
		return
	}
	d.notice.Unit = d.identifierOf(d.told(d.notice.Encounter).Get("serviceProvider"))
}

// told gives the resource of a party that came along, nil if it did not.
func (d *decoder) told(p Party) *tree.Node {
	for b, i := range d.kept {
		if i == p.Entry {
			return b.resource
		}
	}
	return nil
}

// age is that of the patient when the procedure ended.
func (d *decoder) age(ended *tree.Node) *int {
	return age(d.told(d.notice.Subject).Get("birthDate"), ended)
}

// identifierOf gives the identifier of what a reference means, as system|value.
func (d *decoder) identifierOf(n *tree.Node) string {
	ref := readReference(n)
	if ref.Identifier != nil {
		return ref.Identifier.Token()
	}
	if b := d.find(ref.Reference); b != nil {
		if ids := readIdentifiers(b.resource); len(ids) > 0 {
			return ids[0].Token()
		}
	}
	return ""
}

// Token is the identifier as R4 search writes it, system|value.
func (i Identifier) Token() string { return i.System + "|" + i.Value }

func warnings(issues []outcome.Issue) []outcome.Issue {
	var out []outcome.Issue
	for _, i := range issues {
		if i.Severity == outcome.SeverityWarning {
			out = append(out, i)
		}
	}
	return out
}

func errorsOf(issues []outcome.Issue) []outcome.Issue {
	var out []outcome.Issue
	for _, i := range issues {
		if i.Severity != outcome.SeverityWarning {
			out = append(out, i)
		}
	}
	return out
}
