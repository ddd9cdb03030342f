package fhir

import (
	"encoding/json"
	"slices"
	"time"

	"fhirsvc/internal/workflow"
)

// HandoverSection is a part of the page by which a band is handed over.
type HandoverSection int

// The sections, in the order in which they are read.
const (
	HandoverNow HandoverSection = iota
	HandoverSite
	HandoverTime
	HandoverWaiting
	HandoverOrders
	HandoverBand
	handoverSections
)

func (s HandoverSection) title() string {
	return [handoverSections]string{
		"Now", "Site and artery", "Times", "Waits for somebody", "Orders and drugs", "Band and access",
	}[s]
}

// HandoverPart is a stored resource that the page names.
type HandoverPart struct {
	Section  HandoverSection
	Type, ID string
	Body     []byte
}

// Page is what a page to hand over is written from. Document is its identifier, a UUID of
// its own, since no two documents have the same; Base is where the resources are read.
type Page struct {
	Document string
	Base     string
	At       time.Time
	Plan     workflow.Plan
	State    workflow.Handover
	Subject  HandoverPart
	Parts    []HandoverPart // each once
}

// RenderHandover writes the page as an R4 document: a Composition whose sections say all
// in words, then the resources that they name, byte for byte as they are stored. Nobody
// has signed it, so its status is preliminary. It fails only on what can't be written as
// JSON, which is a fault of ours.
func RenderHandover(p Page, c Context) ([]byte, error) {
	c.page = p.At
	composition, err := encode(c.composition(p))
	if err != nil {
		return nil, err
	}
	b := documentBundle{
		ResourceType: "Bundle", ID: p.Document, Type: "document", Timestamp: Instant(p.At),
		Identifier: Identifier{System: systemURI, Value: "urn:uuid:" + p.Document},
		Entry:      []documentEntry{{FullURL: "urn:uuid:" + p.Document, Resource: composition}},
	}
	for _, x := range append([]HandoverPart{p.Subject}, p.Parts...) {
		b.Entry = append(b.Entry, documentEntry{FullURL: p.url(x), Resource: json.RawMessage(x.Body)})
	}
	return encode(b)
}

func (p Page) url(x HandoverPart) string { return p.Base + "/" + x.Type + "/" + x.ID }

func (c Context) composition(p Page) Composition {
	r := Composition{
		ResourceType: "Composition", ID: p.Document, Text: c.handoverText(p), Status: "preliminary",
		Type:    CodeableConcept{Coding: []Coding{CodeHandover.Coding(), loinc("34133-9", "Summary of episode note").Coding}},
		Subject: &Reference{Reference: p.url(p.Subject)},
		Date:    Instant(p.At), Author: []Reference{c.service()}, Title: handoverTitle(p),
	}
	if i := slices.IndexFunc(p.Parts, func(x HandoverPart) bool { return x.Type == "Encounter" }); i >= 0 {
		r.Encounter = &Reference{Reference: p.url(p.Parts[i])}
	}
	for s := range handoverSections {
		section := CompositionSection{Title: s.title(), Text: c.handoverSection(p, s)}
		for _, x := range p.Parts {
			if x.Section == s {
				section.Entry = append(section.Entry, Reference{Reference: p.url(x)})
			}
		}
		r.Section = append(r.Section, section)
	}
	return r
}

func handoverTitle(p Page) string {
	return "Hand-over of a radial compression band: " + SiteWords(p.Plan.Summary.Side, p.Plan.Summary.Distal)
}

// handoverText is the head of the page: whose band it is, as of when, and what the page
// is not.
func (c Context) handoverText(p Page) *Narrative {
	var n narrative
	n.para(handoverTitle(p), "plan "+string(p.Plan.Status))
	n.table([][2]string{{"Patient", patientWords(p.Subject.Body)}, {"As of", ClockWords(p.At, c.Zone) + "; times without a date are of this day and offset"}})
	n.para("", c.protocolWords())
	n.para("Caution", Caution)
	return n.text()
}

func (c Context) handoverSection(p Page, s HandoverSection) *Narrative {
	var n narrative
	switch s {
	case HandoverNow:
		c.handoverNow(&n, p)
	case HandoverSite:
		n.table(c.siteRows(p.Plan.Summary, p.State))
	case HandoverTime:
		n.table(c.timeRows(p.Plan, p.State))
	case HandoverWaiting:
		c.handoverWaiting(&n, p.State)
	case HandoverOrders:
		n.list("Orders in force", orNone(c.orderLines(p.State.Orders)))
		n.list("Anticoagulants", orNone(c.doseLines(p)))
	case HandoverBand:
		n.table(c.bandRows(p.Plan.Summary, p.State))
	case handoverSections:
	}
	return n.text()
}

func (c Context) handoverNow(n *narrative, p Page) {
	s := p.Plan.Summary
	n.table([][2]string{
		{"Next act", c.nextWords(s)},
		{"Volume in the band", c.bookWords(s.Book)},
		{"Band", bandWords(s)},
	})
	var withheld, turn, warnings []string
	for _, t := range p.State.Next {
		line := taskWords(t.Key)
		if !t.Due.IsZero() {
			line += ", by " + c.clock(t.Due)
		}
		turn = append(turn, line)
	}
	for _, w := range s.Withheld {
		withheld = append(withheld, c.withheldWords(w))
	}
	for _, f := range p.State.Flags {
		warnings = append(warnings, clean(f.Text)+" Since "+c.clock(f.Start)+".")
	}
	n.list("To be done", orNone(turn))
	n.list("Withheld", withheld)
	n.list("Warnings", orNone(warnings))
}

func (c Context) siteRows(s workflow.Summary, h workflow.Handover) [][2]string {
	rows := [][2]string{
		{"Bleeding", c.bleedWords(s) + c.heldWords(h)},
		{"Last look at the site", c.foundWords(s.LastAnswer, s.LastLook)},
		{"Last patency test", c.foundWords(s.LastPatency, s.PatencyAt) + testWords(h)},
		{"Haematoma", "none charted"},
		{"Hand", "nothing charted that is not normal"},
	}
	if f := h.Haematoma; f != nil {
		rows[3][1] = haematomaWords(f) + ", at " + c.clock(f.When())
	}
	if f := h.Hand; f != nil {
		rows[4][1] = "not normal" + signWords(f.Signs) + ", at " + c.clock(f.When())
	}
	return rows
}

func (c Context) timeRows(p workflow.Plan, h workflow.Handover) [][2]string {
	s := p.Summary
	start := "not told; counted from " + c.told(p.Start)
	if !h.Started.IsZero() {
		start = c.clock(h.Started)
	}
	return [][2]string{
		{"Start of compression", start},
		{forecast("Band off", s.BandOn), c.told(p.Off)},
		{"Band off if it bleeds next", c.ifBleedWords(s)},
		{forecast("End", p.Status == workflow.PlanActive || p.Status == workflow.PlanOnHold), c.told(p.End)},
		{"Late care", orNothing(delayWords(s.Figures.Care))},
		{"Late charting", orNothing(delayWords(s.Figures.Charting))},
	}
}

func (c Context) handoverWaiting(n *narrative, h workflow.Handover) {
	var late, missed, calls, issues []string
	for _, t := range h.Late {
		late = append(late, taskWords(t.Key)+", due "+c.clock(t.Due))
	}
	for _, t := range h.Missed {
		missed = append(missed, taskWords(t.Key)+", ended "+c.clock(t.End))
	}
	for i, x := range h.Calls {
		if i+1 == len(h.Calls) || h.Calls[i+1].Task != x.Task { // the last of the calls about a Task
			calls = append(calls, c.calledWords(x))
		}
	}
	for _, is := range h.Issues {
		issues = append(issues, clean(is.Text)+" Since "+c.clock(is.Since)+".")
	}
	n.list("Late now", orNone(late))
	n.list("Charted as not done", orNone(missed))
	n.list("Unanswered calls", orNone(calls))
	n.list("Open contradictions", orNone(issues))
}

func (c Context) bandRows(s workflow.Summary, h workflow.Handover) [][2]string {
	replaced, titrated := "no", "not told"
	if !h.Replaced.IsZero() {
		replaced = "yes, at " + c.clock(h.Replaced)
	}
	switch {
	case !h.TakenDown.IsZero():
		titrated = "yes, on the ward at " + c.clock(h.TakenDown)
	case h.Titrated != nil && *h.Titrated:
		titrated = "yes, before the event was told"
	case h.Titrated != nil:
		titrated = "no"
	}
	rows := [][2]string{
		{"Procedure", kindWords(s.Kind)},
		{"The band bears at most", h.Maximum.String() + " mL"},
		{"Band replaced", replaced},
		{"Pressure taken down to what holds", titrated},
		{"Sheath", "not told"},
		{"INR", "not told"},
	}
	if h.Sheath != nil {
		rows[4][1] = h.Sheath.String() + " French"
	}
	if h.INR != nil {
		rows[5][1] = h.INR.String()
	}
	return rows
}
