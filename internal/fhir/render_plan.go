package fhir

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strconv"
	"strings"
	"time"

	"fhirsvc/internal/workflow"
)

// RenderPlan writes the plan as an R4 CarePlan. It fails only on what can't be written
// as JSON, which is a fault of ours.
func RenderPlan(p workflow.Plan, c Context, v Version) ([]byte, error) {
	return encode(c.plan(p, v))
}

func (c Context) plan(p workflow.Plan, v Version) CarePlan {
	service := c.service()
	r := CarePlan{
		ResourceType: "CarePlan",
		ID:           v.ID,
		Meta:         v.meta(),
		Text:         c.planText(p, v.At),
		Identifier:   []Identifier{c.episode()},
		Status:       string(p.Status),
		Intent:       "plan",
		Category:     []CodeableConcept{c.PlanCategory()},
		Title:        planTitle(p),
		Description:  clean(p.StatusReason),
		Subject:      c.subject(),
		Encounter:    c.encounter(),
		Period:       period(p.Start, p.End),
		Author:       &service,
		Activity:     c.activities(p),
		Note:         c.planNotes(p),
	}
	if c.Protocol != nil {
		r.InstantiatesCanonical = []string{c.Protocol.Canonical()}
	}
	if procedure := c.procedure(); procedure != nil {
		r.SupportingInfo = []Reference{*procedure}
	}
	return r
}

func planTitle(p workflow.Plan) string {
	return "Stepwise release of the radial compression band: " + SiteWords(p.Summary.Side, p.Summary.Distal)
}

func (c Context) activities(p workflow.Plan) []CarePlanActivity {
	var list []CarePlanActivity
	for _, k := range p.Tasks {
		list = append(list, CarePlanActivity{Reference: &Reference{Reference: "Task/" + c.TaskID(k), Display: taskWords(k)}})
	}
	return list
}

func (c Context) planNotes(p workflow.Plan) []Annotation {
	texts := []string{Caution, c.protocolWords()}
	if p.StatusReason != "" {
		texts = append(texts, "Plan "+string(p.Status)+": "+p.StatusReason)
	}
	for _, w := range p.Summary.Withheld {
		texts = append(texts, c.withheldWords(w))
	}
	var notes []Annotation
	for _, t := range texts {
		notes = append(notes, Annotation{AuthorString: softwareName, Text: clean(t)})
	}
	return notes
}

// protocolWords names the protocol, its version and who approved it.
func (c Context) protocolWords() string {
	p := c.Protocol
	if p == nil {
		return "No protocol applies (" + clean(c.NoProtocol) + "). A clinician decides."
	}
	s := "Protocol: " + p.Canonical()
	if p.Title != "" {
		s = "Protocol: " + p.Title + ", " + p.Canonical()
	}
	if p.Draft {
		return s + ". DRAFT, not approved: not for use on patients."
	}
	return s + ". Approved by " + p.Endorser + " on " + p.Approved + "."
}

// PlanDigest is the same for two plans unless a new version of the CarePlan is due:
// its status, its activity or the forecast (by a minute or more) changed, or a fact
// that a nurse reads off the narrative and may act on.
func PlanDigest(p workflow.Plan, c Context) string {
	s := p.Summary
	minute := func(t time.Time) string { return Instant(t.Truncate(time.Minute)) }
	facts := []any{
		p.Status, p.StatusReason, p.Tasks, minute(p.Start), minute(p.Off), minute(p.End),
		c.Refs, c.protocolWords(),
		s.Kind, s.Side, s.Distal, s.BandOn, s.Bleeds, s.LastPatency, s.Book.State, s.Book.Volume.String(), s.Book.Why,
	}
	if s.Next != nil {
		facts = append(facts, s.Next.String(), minute(s.NextAt))
	}
	for _, w := range s.Withheld {
		facts = append(facts, w.Reason, w.Lifter)
	}
	var b strings.Builder
	for _, f := range facts {
		b.WriteString(strconv.Quote(fmt.Sprint(f)) + "\n")
	}
	sum := sha256.Sum256([]byte(b.String()))
	return hex.EncodeToString(sum[:])
}
