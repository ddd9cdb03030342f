package fhir

import (
	"strconv"
	"time"

	"fhirsvc/internal/workflow"
)

// planText is the narrative of a plan: what a nurse wants to know first. The instant is
// that of the version; what happened since stands in the Tasks.
func (c Context) planText(p workflow.Plan, at time.Time) *Narrative {
	var n narrative
	n.para(planTitle(p), string(p.Status))
	if !at.IsZero() {
		n.para("As of", c.clock(at))
	}
	n.table(c.planRows(p))
	var withheld []string
	for _, w := range p.Summary.Withheld {
		withheld = append(withheld, c.withheldWords(w))
	}
	n.list("Withheld", withheld)
	n.list("Speaks for bleeding", p.Summary.BleedingRisk)
	n.list("Speaks for occlusion", p.Summary.OcclusionRisk)
	n.para("", c.protocolWords())
	n.para("Caution", Caution)
	return n.text()
}

func (c Context) planRows(p workflow.Plan) [][2]string {
	s := p.Summary
	return [][2]string{
		{"Why", clean(p.StatusReason)},
		{"Procedure", kindWords(s.Kind)},
		{"Band", bandWords(s)},
		{"Volume in the band", c.bookWords(s.Book)},
		{"Next act", c.nextWords(s)},
		{"Bleeding", c.bleedWords(s)},
		{"Last look at the site", c.foundWords(s.LastAnswer, s.LastLook)},
		{"Last patency test", c.foundWords(s.LastPatency, s.PatencyAt)},
		{"Counted from", c.told(p.Start)},
		{forecast("Band off", s.BandOn), c.told(p.Off)},
		{"Band off if it bleeds at the next step", c.ifBleedWords(s)},
		{forecast("End", p.Status == workflow.PlanActive || p.Status == workflow.PlanOnHold), c.told(p.End)},
		{"First release after", minutesWords(s.Figures.FirstRelease)},
		{"Time on the wrist", minutesWords(s.Figures.BandTime)},
		{"Late care", delayWords(s.Figures.Care)},
		{"Late charting", delayWords(s.Figures.Charting)},
		{"Charted as not done", countWords(s.Figures.NotDone)},
	}
}

// ifBleedWords says what would change the forecast.
func (c Context) ifBleedWords(s workflow.Summary) string {
	if s.OffIfBleed.IsZero() {
		return ""
	}
	return c.clock(s.OffIfBleed) + "; each late step moves both times by as much"
}

func minutesWords(d time.Duration) string {
	if d == 0 {
		return ""
	}
	return strconv.FormatInt(int64(d.Round(time.Minute)/time.Minute), 10) + " min"
}

// delayWords is empty when nothing was late.
func delayWords(d workflow.Delays) string {
	if d.Late == 0 {
		return ""
	}
	return strconv.Itoa(d.Late) + " of " + strconv.Itoa(d.Of) + ", at worst " + minutesWords(d.Worst)
}

func countWords(n int) string {
	if n == 0 {
		return ""
	}
	return strconv.Itoa(n)
}

// forecast marks a time that has not come yet.
func forecast(label string, ahead bool) string {
	if ahead {
		return label + " (forecast)"
	}
	return label
}

func kindWords(k workflow.ProcedureKind) string {
	if k == "" {
		return "kind not told"
	}
	return string(k)
}

func bandWords(s workflow.Summary) string {
	if s.BandOn {
		return "on"
	}
	return "not on"
}

func (c Context) nextWords(s workflow.Summary) string {
	if s.Next == nil {
		return "none"
	}
	if s.NextAt.IsZero() {
		return taskWords(*s.Next) + ", not bound to the clock"
	}
	return taskWords(*s.Next) + ", not before " + c.clock(s.NextAt)
}

func (c Context) bleedWords(s workflow.Summary) string {
	if s.Bleeds == 0 {
		return "none charted"
	}
	w := strconv.Itoa(s.Bleeds) + " charted"
	if !s.LastBleed.IsZero() {
		w += ", last at " + c.clock(s.LastBleed)
	}
	return w
}

func (c Context) foundWords(a workflow.Answer, at time.Time) string {
	switch {
	case a == "" && at.IsZero():
		return "not yet"
	case a == "":
		return "no value, at " + c.clock(at)
	case at.IsZero():
		return AnswerWords(a)
	}
	return AnswerWords(a) + ", at " + c.clock(at)
}

func (c Context) told(t time.Time) string {
	if t.IsZero() {
		return "cannot be told"
	}
	return c.clock(t)
}
