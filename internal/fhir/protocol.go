package fhir

import (
	"strings"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/workflow"
)

// ParseProtocol reads a unit's protocol from an R4 PlanDefinition: url, version, title,
// status, approvalDate, endorser, useContext and the parameters in extension
// ExtensionProtocolParameter. The protocol is nil when there is an error among the
// issues; every fault is named at once, each with the parameter, its value and its
// limits. A draft is read like an approved one, and says so.
//
// useContext says for which episodes the protocol is; all of it must hold. By code of
// http://terminology.hl7.org/CodeSystem/usage-context-type: focus with a concept, for
// which kind of procedure (once); venue with a reference by identifier, for which unit;
// age with a range in UCUM a, for whom, the limits included. By local code: access-side
// with the right or the left, access-route with wrist-radial or distal-radial, given-drug
// with a kind of anticoagulant (of several, any one). What is left out is for any.
//
// Source: hl7.org/fhir/R4/plandefinition.html.
func ParseProtocol(body []byte) (*workflow.Protocol, []outcome.Issue) {
	doc, issues := tree.Parse(body)
	if doc == nil || outcome.HasErrors(issues) {
		return nil, issues
	}
	if kind := doc.Root.Str("resourceType"); kind != "PlanDefinition" {
		return nil, append(issues, outcome.Errorf(outcome.CodeStructure, "", "a protocol is a PlanDefinition, this is %q", kind))
	}
	r := &protocolReader{reader: newReader(doc, doc.Root, ""), given: map[string]int{}, bad: map[string]bool{}}
	r.issues = issues
	r.heading()
	r.approval()
	r.contexts()
	r.parameters()
	r.check()
	if outcome.HasErrors(r.issues) {
		return nil, r.issues
	}
	return &r.p, r.issues
}

// protocolReader collects a protocol and its faults.
type protocolReader struct {
	*reader
	p     workflow.Protocol
	given map[string]int  // how often each parameter is given
	bad   map[string]bool // parameters that are missing or can't be read
}

func (r *protocolReader) heading() {
	r.p.URL, r.p.Version, r.p.Title = r.root.Str("url"), r.root.Str("version"), r.root.Str("title")
	if r.p.URL == "" {
		r.fault(outcome.CodeRequired, "url", nil, "a protocol needs a url of its own")
	}
	if r.p.Version == "" {
		r.fault(outcome.CodeRequired, "version", nil, "a protocol needs a version")
	}
	if r.p.Title == "" {
		r.fault(outcome.CodeRequired, "title", nil, "a protocol needs a title that its readers know it by")
	}
	if strings.Contains(r.p.URL, "|") {
		r.fault(outcome.CodeValue, "url", r.root.Get("url"), "the url holds a bar; the version stands in version")
	}
}

// approval: who is active is approved, by somebody, on a day.
func (r *protocolReader) approval() {
	r.p.Approved = r.root.Str("approvalDate")
	for e := range r.root.Get("endorser").Items() {
		if r.p.Endorser = e.Str("name"); r.p.Endorser != "" {
			break
		}
	}
	switch status := r.root.Str("status"); status {
	case "draft":
		r.p.Draft = true
	case "active":
		if r.p.Approved == "" {
			r.fault(outcome.CodeRequired, "approvalDate", nil, "an active protocol needs the date of its approval")
		}
		if r.p.Endorser == "" {
			r.fault(outcome.CodeRequired, "endorser", nil, "an active protocol names who approved it: endorser.name")
		}
	default:
		r.fault(outcome.CodeBusinessRule, "status", r.root.Get("status"), "the status is %q: a protocol in use is active, or draft in a sandbox", status)
	}
}

// check adds the faults that only show when all values are known. A fault that speaks
// of a parameter that is missing or unreadable is not told: its value is none.
func (r *protocolReader) check() {
	for _, fault := range r.p.Check() {
		if !r.stems(fault) {
			r.fault(outcome.CodeBusinessRule, "extension", nil, "%s", fault)
		}
	}
}

// stems reports whether the fault only repeats one that is told already.
func (r *protocolReader) stems(fault string) bool {
	if r.p.URL == "" || r.p.Version == "" {
		if strings.Contains(fault, "a url and a version") {
			return true
		}
	}
	if r.p.Applies.Kind == "" && strings.Contains(fault, "kind of procedure") {
		return true
	}
	for _, word := range strings.FieldsFunc(fault, func(c rune) bool { return c == ' ' || c == ':' || c == ',' }) {
		if r.bad[word] {
			return true
		}
	}
	return false
}
