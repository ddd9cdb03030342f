package fhir

import (
	"slices"
	"strings"
	"time"

	"fhirsvc/internal/fhir/timeline"
	"fhirsvc/internal/workflow"
)

func sortBy[T any](list []T, at func(T) time.Time) {
	slices.SortStableFunc(list, func(a, b T) int { return at(a).Compare(at(b)) })
}

// The lanes, from top to bottom.
const (
	lanePlanned = iota
	laneAir
	laneSite
	laneArtery
	lanePatient
	laneBand
	laneLate
	lanes
)

// lanes are the marks and bars by what they are about, as far as they lie within the
// picture.
func (s story) lanes(from, to time.Time) []timeline.Lane {
	list := make([]timeline.Lane, lanes)
	for i, name := range [lanes]string{
		"Planned, mL", "Air out and in, mL", "Puncture site", "Radial artery", "Hand and patient", "Band, orders, place", "Late",
	} {
		list[i].Name, list[i].Empty = name, "none charted"
	}
	list[lanePlanned].Empty, list[laneLate].Empty = "nothing can be planned", "none"
	mark := func(lane int, at time.Time, shape timeline.Shape, label string) {
		if shape != timeline.NoShape && !at.Before(from) && !at.After(to) {
			list[lane].Marks = append(list[lane].Marks, timeline.Mark{At: at, Shape: shape, Label: label})
		}
	}
	bar := func(lane int, b timeline.Bar) { list[lane].Bars = append(list[lane].Bars, b) }
	for _, f := range s.Findings {
		lane, shape, label := s.findingMark(f)
		mark(lane, f.When(), shape, label)
	}
	for _, x := range s.Adjusted {
		if x.Delta.Sign() != 0 {
			mark(laneAir, x.At, timeline.Adjust, signed(x.Delta)+adjustedLabel(x.Kind))
		}
	}
	for _, o := range s.Orders {
		mark(laneBand, o.Given, timeline.Pennant, strings.ToLower(Code(o.Code).Display()))
	}
	for _, x := range s.Moves {
		mark(laneBand, x.Found, timeline.Arrow, moveWords(x))
	}
	for _, a := range s.Acts {
		if b, ok := s.planBar(a); ok {
			bar(lanePlanned, b)
		}
		switch a.Key.Code { //nolint:exhaustive // all others are marked by their findings
		case workflow.Dressing:
			mark(laneBand, a.Done, timeline.Tick, "dressed")
		case workflow.DischargeCheck:
			mark(laneBand, a.Done, timeline.Tick, "discharge check")
		}
	}
	for _, x := range s.Spans {
		lane, b := s.spanBar(x, to)
		bar(lane, b)
	}
	for _, d := range s.Delays {
		bar(laneLate, timeline.Bar{From: d.Due, To: s.until(d.Done, to), Pattern: timeline.Whisker, Label: s.delayLabel(d)})
	}
	return list
}

// until is the end of what may not be over: now, or the end of the picture.
func (s story) until(t, to time.Time) time.Time {
	switch {
	case !t.IsZero():
		return t
	case s.running && !s.at.IsZero():
		return s.at
	}
	return to
}

// findingMark is how a finding is drawn; what is as it should be and has no lane of its
// own stands in the list alone.
func (s story) findingMark(f workflow.Finding) (lane int, shape timeline.Shape, label string) {
	switch f.Code {
	case workflow.Bleeding:
		return laneSite, orCross(f, siteShape(f.Answer)), ""
	case workflow.Patency:
		return laneArtery, orCross(f, patencyShape(f)), ""
	case workflow.AirRemoved, workflow.AirAdded, workflow.AirVolume:
		return airMark(f)
	case workflow.Band:
		shape, label = bandMark(f)
		return laneBand, shape, label
	case workflow.Hand:
		if f.Real() && f.Answer == workflow.Normal {
			return lanePatient, timeline.Tick, ""
		}
		return lanePatient, orCross(f, timeline.Alarm), "hand" + signWords(f.Signs)
	case workflow.Haematoma:
		if f.Answer == workflow.Present {
			return lanePatient, timeline.Alarm, "haematoma" + strings.TrimPrefix(haematomaWords(&f), "present")
		}
	case workflow.Pulse:
		if f.Real() && f.Answer != workflow.Normal {
			return lanePatient, timeline.Alarm, "pulse " + AnswerWords(f.Answer)
		}
	case workflow.Condition:
		if f.Real() && f.Answer != workflow.Well {
			return lanePatient, timeline.Alarm, AnswerWords(f.Answer)
		}
	case workflow.Anticoagulant:
		return lanePatient, timeline.Pennant, drugWords(f)
	case workflow.CompressionStart, workflow.Pain, workflow.Pressure, workflow.OtherFinding:
	}
	return 0, timeline.NoShape, ""
}

// orCross draws what was not done or could not be assessed as that.
func orCross(f workflow.Finding, shape timeline.Shape) timeline.Shape {
	if !f.Real() {
		return timeline.Cross
	}
	return shape
}

func siteShape(a workflow.Answer) timeline.Shape {
	switch a { //nolint:exhaustive // the other answers are not about the site
	case workflow.Haemostasis:
		return timeline.Ring
	case workflow.Oozing:
		return timeline.HalfRing
	}
	return timeline.Drop
}

func patencyShape(f workflow.Finding) timeline.Shape {
	switch {
	case !f.Method.ShowsPatency():
		return timeline.BrokenBox
	case f.Answer == workflow.Patent:
		return timeline.Box
	case f.Answer == workflow.Occluded:
		return timeline.FullBox
	}
	return timeline.AskBox
}

func airMark(f workflow.Finding) (lane int, shape timeline.Shape, label string) {
	switch {
	case !f.Real() || f.Amount == nil:
		return laneAir, timeline.Cross, ""
	case f.Code == workflow.AirVolume, f.Amount.Sign() == 0:
		return laneAir, timeline.Count, f.Amount.String()
	case f.Code == workflow.AirAdded:
		return laneAir, timeline.Up, f.Amount.String()
	}
	return laneAir, timeline.Down, f.Amount.String()
}

func bandMark(f workflow.Finding) (timeline.Shape, string) {
	switch {
	case !f.Real():
		return timeline.Cross, "band"
	case f.Answer == workflow.BandOff, f.Answer == workflow.BandNeverApplied:
		return timeline.SlashBand, AnswerWords(f.Answer)
	case f.Answer == workflow.BandOn, f.Answer == workflow.BandReplaced:
		return timeline.Band, AnswerWords(f.Answer)
	}
	return timeline.Alarm, AnswerWords(f.Answer)
}

// planBar is the planned time of an act, from its earliest to when it was due.
func (s story) planBar(a workflow.Act) (timeline.Bar, bool) {
	if a.From.IsZero() || !s.running && !a.Status.Finished() {
		return timeline.Bar{}, false
	}
	b := timeline.Bar{From: a.From, To: latest(a.From, a.Due), Pattern: timeline.Hollow, Label: actLabel(a)}
	if a.Status.Finished() && a.Done.IsZero() {
		b.Pattern = timeline.Struck
	}
	return b, true
}

func actLabel(a workflow.Act) string {
	amount := ""
	if a.Planned != nil {
		amount = a.Planned.String()
	}
	switch a.Key.Code { //nolint:exhaustive // no other Task is an act
	case workflow.ReleaseStep:
		return "−" + amount
	case workflow.RestoreCompression:
		return "+" + amount
	case workflow.EaseCompression:
		return "ease −" + amount
	case workflow.BandRemoval:
		return "off"
	case workflow.Dressing:
		return "dress"
	}
	return "check"
}

// spanBar is how what lasts is drawn.
func (s story) spanBar(x workflow.Span, to time.Time) (int, timeline.Bar) {
	b := timeline.Bar{From: x.From, To: s.until(x.To, to), Pattern: timeline.Hatched}
	switch x.Kind {
	case workflow.SpanBleeding:
		b.Pattern, b.Label = timeline.Solid, s.bleedLabel(x)
		return laneSite, b
	case workflow.SpanNotPatent:
		b.Pattern, b.Label = timeline.Wave, "not open"
		return laneArtery, b
	case workflow.SpanHold:
		b.Label = "hold by order"
	case workflow.SpanPause:
		b.Label = "pause"
	case workflow.SpanAfter:
		b.Label = "hold after bleeding"
	}
	return laneBand, b
}

func (s story) bleedLabel(x workflow.Span) string {
	lasted := x.To.Sub(x.From)
	switch {
	case x.To.IsZero() && s.running:
		return "still bleeding"
	case x.To.IsZero():
		return "not seen dry"
	case lasted < time.Minute:
		return "bled less than 1 min"
	}
	return "bled " + minutesWords(lasted)
}

func (s story) delayLabel(d workflow.Delay) string {
	words := strings.ToLower(Code(d.Key.Code).Display())
	if d.Done.IsZero() {
		return words + ", not done"
	}
	return words + ", " + minutesWords(d.Done.Sub(d.Due))
}

// legend says what is drawn how.
func legend() []timeline.Sign {
	return []timeline.Sign{
		{Pattern: timeline.Hollow, Words: "planned, earliest to due"},
		{Pattern: timeline.Struck, Words: "planned, skipped or refused"},
		{Shape: timeline.Down, Words: "air out"},
		{Shape: timeline.Up, Words: "air in"},
		{Shape: timeline.Count, Words: "air counted"},
		{Shape: timeline.Adjust, Words: "book put right by"},
		{Shape: timeline.Ring, Words: "site dry"},
		{Shape: timeline.HalfRing, Words: "site oozing"},
		{Shape: timeline.Drop, Words: "site bleeding"},
		{Pattern: timeline.Solid, Words: "until it was dry"},
		{Shape: timeline.Box, Words: "artery open"},
		{Shape: timeline.FullBox, Words: "artery not open"},
		{Shape: timeline.AskBox, Words: "test says neither"},
		{Shape: timeline.BrokenBox, Words: "test can't show it"},
		{Pattern: timeline.Wave, Words: "not shown open since"},
		{Shape: timeline.Cross, Words: "not done, not assessed"},
		{Shape: timeline.Tick, Words: "in order, done"},
		{Shape: timeline.Alarm, Words: "not normal"},
		{Shape: timeline.Pennant, Words: "order, drug given"},
		{Shape: timeline.Arrow, Words: "moved, left"},
		{Shape: timeline.SlashBand, Words: "band off"},
		{Shape: timeline.Band, Words: "band on, other band"},
		{Pattern: timeline.Hatched, Words: "no air out: hold, pause"},
		{Pattern: timeline.Whisker, Words: "late, from due to done"},
	}
}
