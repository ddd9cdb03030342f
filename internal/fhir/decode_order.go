package fhir

import (
	"time"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/workflow"
)

// Request is what a ServiceRequest orders. Order has no ID, Recorded or Entry yet; its
// Given is zero when the request does not say when it was authored.
type Request struct {
	Order       workflow.Order
	Subject     Reference
	Requester   string        // what the requester is called, "" when not told
	Side        workflow.Side // "" when not stated
	Procedures  []string      // references in supportingInfo
	Identifiers []Identifier
	Warnings    []outcome.Issue
}

// DecodeRequest reads a ServiceRequest as an order. The result is nil when there is an
// error among the issues; all are collected.
func DecodeRequest(doc *tree.Document, path string) (*Request, []outcome.Issue) {
	r := newReader(doc, doc.Root, path)
	q := &Request{Identifiers: readIdentifiers(r.root)}
	r.subject(&q.Subject)
	code := readConcept(r.root.Get("code"))
	known, ok := ReadOrder(code)
	if !ok {
		r.fault(outcome.CodeCodeInvalid, "code", r.root.Get("code"), "this is none of the orders of %s that are taken in", SystemLocal)
	}
	q.Order.Code = known
	r.standingOrder()
	q.Order.Given = r.readTimeAt(r.root, "authoredOn", "authoredOn")
	requester := readReference(r.root.Get("requester"))
	q.Requester = requester.Display
	if q.Order.By = requester.By(); q.Order.By == "" {
		r.fault(outcome.CodeRequired, "requester", r.root.Get("requester"), "an order needs a requester")
	}
	for n := range r.root.Get("reasonCode").Items() {
		if q.Order.Reason = readConcept(n).label(); q.Order.Reason != "" {
			break
		}
	}
	if q.Order.Reason == "" {
		r.fault(outcome.CodeRequired, "reasonCode", r.root.Get("reasonCode"), "an order needs a reason, as text or code")
	}
	for n := range r.root.Get("supportingInfo").Items() {
		if ref := n.Str("reference"); ref != "" {
			q.Procedures = append(q.Procedures, ref)
		}
	}
	for n := range r.root.Get("bodySite").Items() {
		x := readSite(n, finder(nil, r.root))
		q.Side = x.side()
	}
	r.terms(&q.Order)
	if outcome.HasErrors(r.issues) {
		return nil, errorsOf(r.issues)
	}
	q.Warnings = r.issues
	return q, nil
}

// standingOrder: only what is in force now is an order; to take one back, another is
// given (resume).
func (r *reader) standingOrder() {
	if s := r.root.Str("status"); s != "active" {
		r.fault(outcome.CodeBusinessRule, "status", r.root.Get("status"), "an order that is given is active; to lift a hold, order resume")
	}
	if i := r.root.Str("intent"); i != "order" {
		r.fault(outcome.CodeBusinessRule, "intent", r.root.Get("intent"), "the intent of an order is order")
	}
}

// terms reads what the kind of order needs.
func (r *reader) terms(o *workflow.Order) {
	switch o.Code {
	case workflow.OrderPauseRelease:
		o.Until = r.needTime("occurrencePeriod", "occurrence.end")
	case workflow.OrderOverrideTime:
		o.Time = r.needTime("occurrenceDateTime", "occurrence")
	case workflow.OrderOverrideVolume, workflow.OrderAdjustVolume:
		o.Amount = r.amount(r.root.Get("quantityQuantity"), "quantity", milliLitres()...)
	case workflow.OrderHold, workflow.OrderResume, workflow.OrderContinueToEmpty,
		workflow.OrderNoBandPlan, workflow.OrderStopPlan:
	}
}

// needTime reads a time without which the order means nothing; of a period its end.
func (r *reader) needTime(name, element string) time.Time {
	n := r.root.Get(name)
	if name == "occurrencePeriod" {
		n = n.Get("end")
	}
	t, ok := readTime(n)
	switch {
	case n == nil:
		r.fault(outcome.CodeRequired, element, nil, "this order needs a time here")
	case !ok:
		r.fault(outcome.CodeValue, element, n, "a time of day with an offset is needed, such as 2026-01-31T14:05:00+01:00")
	}
	return t
}
