package fhir

import (
	"strconv"
	"strings"
	"time"

	"fhirsvc/internal/fhir/timeline"
	"fhirsvc/internal/workflow"
)

// TimelineCaution stands on every picture.
const TimelineCaution = "This picture shows what was charted, and what the protocol planned. What nobody charted is not in it. " +
	"It never decides treatment: local policy and the responsible clinician decide."

// Image is the form of the picture (RFC 3023 registers the +xml suffix, W3C image/svg+xml).
const Image = "image/svg+xml"

// DrawTimeline writes what happened to the band as an SVG picture, UTF-8, as of an instant.
// A zero instant leaves out when it was drawn, so that the bytes can be compared; a plan
// that still runs needs one. It names nobody, and says nothing that a person wrote.
func DrawTimeline(t workflow.Timeline, c Context, at time.Time) []byte {
	return c.draw(t, at).SVG()
}

// draw lays out what is drawn, from the start of compression to the end, or to what is
// planned last.
func (c Context) draw(t workflow.Timeline, at time.Time) timeline.Picture {
	c.page = t.Began
	s := story{Context: c, Timeline: t, Plan: t.Plan, at: at, running: !t.Plan.Status.Ended()}
	p := timeline.Picture{
		ID: c.Plan, Title: "Radial compression band: " + SiteWords(t.Plan.Summary.Side, t.Plan.Summary.Distal),
		Caution: TimelineCaution, Zone: c.Zone, Maximum: hundredths(t.Maximum), Air: s.air(), Legend: legend(), ListTitle: "What was charted, in order",
	}
	p.From, p.To = s.span()
	if s.running {
		p.Now, p.Ahead, p.ListTitle = at, s.ahead(), "What was charted, and what is planned, in order"
	}
	p.Top = s.top(p)
	p.Head, p.About = s.head(), s.about()
	p.Lines, p.Lanes, p.Items = s.lines(), s.lanes(p.From, p.To), s.items()
	return p
}

// story is a Timeline being told.
type story struct {
	Context
	workflow.Timeline
	Plan    workflow.Plan // the Timeline's, not the id that Context has
	at      time.Time
	running bool
}

// early is how long before the start of compression what was charted still has its place
// in the picture; what is older stands in the list alone.
const early = 2 * time.Hour

// span is what the axis spans, with a little room at both ends.
func (s story) span() (from, to time.Time) {
	from, to = s.Began, s.Began.Add(time.Hour)
	reach := func(t time.Time) {
		if !t.IsZero() && t.After(to) {
			to = t
		}
	}
	for _, f := range s.Findings {
		if at := f.When(); at.Before(from) && s.Began.Sub(at) <= early {
			from = at
		}
		reach(f.When())
	}
	for _, x := range s.Orders {
		reach(x.Given)
	}
	for _, x := range s.Moves {
		reach(x.Found)
	}
	for _, x := range s.Spans {
		reach(x.To)
	}
	for _, a := range s.Acts {
		reach(a.Done)
		if s.running || a.Status.Finished() {
			reach(a.From)
		}
	}
	if s.running {
		reach(s.at)
	}
	from = from.Add(-time.Minute).Truncate(5 * time.Minute)
	return from, to.Add(to.Sub(from) / 30).Truncate(5 * time.Minute).Add(5 * time.Minute)
}

// air is the book against time.
func (s story) air() []timeline.Air {
	var list []timeline.Air
	for _, l := range s.Levels {
		a := timeline.Air{At: l.At, Volume: hundredths(l.Volume), Label: l.Volume.String()}
		switch {
		case l.Off:
			a.State = timeline.None
		case l.State == workflow.BookUncertain:
			a.State = timeline.Uncertain
		case l.State == workflow.BookUnknown:
			a.State = timeline.Unknown
		}
		list = append(list, a)
	}
	return list
}

// ahead is the road as it is planned, from the volume in the band on; empty while that is
// not known.
func (s story) ahead() []timeline.Air {
	n := len(s.Levels)
	if n == 0 || s.Levels[n-1].Off || s.Levels[n-1].State != workflow.BookKnown {
		return nil
	}
	left := s.Levels[n-1].Volume
	list := []timeline.Air{{At: s.at, Volume: hundredths(left)}}
	for _, a := range s.Acts {
		if a.Key.Code == workflow.ReleaseStep && !a.Status.Finished() && a.Done.IsZero() && a.Planned != nil && !a.From.IsZero() {
			left = left.Sub(*a.Planned)
			list = append(list, timeline.Air{At: latest(a.From, s.at), Volume: hundredths(left)})
		}
	}
	return list
}

func latest(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

// top is the end of the volume axis, on a full line of its grid and above all that is drawn.
func (s story) top(p timeline.Picture) int {
	top := max(p.Maximum, 300)
	for _, a := range p.Air {
		top = max(top, a.Volume)
	}
	return (top/300 + 1) * 300
}

// hundredths is a volume as a place in the picture, in hundredths of a millilitre. Labels
// are written from the decimal itself.
func hundredths(d workflow.Decimal) int {
	whole := d.Times(100).Part(1, workflow.MustDecimal("1")).String()
	n, err := strconv.Atoi(whole)
	if err != nil {
		return 0 // longer than any number of millilitres that the core takes in
	}
	return n
}

// lines are the instants that matter to all lanes.
func (s story) lines() []timeline.Line {
	start := "start"
	if !s.Told {
		start = "start not told"
	}
	list := []timeline.Line{{At: s.Began, Label: start}}
	off := false
	for _, l := range s.Levels {
		switch {
		case l.Off && !off:
			list = append(list, timeline.Line{At: l.At, Label: "band off", Bold: true})
		case !l.Off && off:
			list = append(list, timeline.Line{At: l.At, Label: "band on again", Bold: true})
		}
		off = l.Off
	}
	for _, x := range s.Spans {
		if x.Kind == workflow.SpanBleeding {
			list = append(list, timeline.Line{At: x.From, Label: "bleed"})
		}
	}
	if s.running && !s.at.IsZero() {
		list = append(list, timeline.Line{At: s.at, Label: "now", Bold: true})
	}
	sortBy(list, func(l timeline.Line) time.Time { return l.At })
	return list
}

// head says what the picture is of.
func (s story) head() []string {
	sum := s.Plan.Summary
	first := afterWords(sum.Kind) + " Plan " + s.status() + ". Bleeds under the band: " + strconv.Itoa(sum.Bleeds) + "."
	for _, x := range [][2]string{
		{"First release after", minutesWords(sum.Figures.FirstRelease)},
		{"Time on the wrist", minutesWords(sum.Figures.BandTime)},
		{"Late care", delayWords(sum.Figures.Care)},
	} {
		if x[1] != "" {
			first += " " + x[0] + " " + x[1] + "."
		}
	}
	last := "CarePlan/" + s.Context.Plan + ". "
	if !s.at.IsZero() {
		last += "Drawn as of " + ClockWords(s.at, s.Zone) + ". "
	}
	return []string{first, s.protocolWords(), last + "The unit's time stands above the picture and in the list, UTC below the picture."}
}

func afterWords(k workflow.ProcedureKind) string {
	switch k {
	case workflow.Diagnostic:
		return "After a diagnostic catheterization."
	case workflow.Intervention:
		return "After an intervention."
	}
	return "After a procedure of which the kind was not told."
}

// status says where the plan stands, and not in whose words.
func (s story) status() string {
	if s.Plan.Status != workflow.PlanRevoked {
		return strings.ReplaceAll(string(s.Plan.Status), "-", " ")
	}
	for _, o := range s.Orders {
		if o.Code == workflow.OrderStopPlan {
			return "stopped by order"
		}
	}
	return "revoked by the event"
}

// about is the text alternative of the picture.
func (s story) about() string {
	words := []string{"The air in the band against time, as step by step it was let out or put back, with what was found."}
	words = append(words, s.head()[0])
	if n := len(s.Levels); n > 0 {
		if first := s.Levels[0]; !first.Off && first.State != workflow.BookUnknown {
			words = append(words, "It began at "+s.clock(first.At)+" with "+first.Volume.String()+" mL.")
		}
		words = append(words, "At the end: "+levelWords(s.Levels[n-1])+".")
	}
	out, in := s.moved()
	words = append(words, "Air out "+counted(out)+", air in "+counted(in)+".",
		"Late: "+strconv.Itoa(len(s.Delays))+".", "The list that follows says all of it in words.")
	return strings.Join(words, " ")
}

func counted(n int) string {
	if n == 1 {
		return "once"
	}
	return strconv.Itoa(n) + " times"
}

// moved is how often air went out, and how often in.
func (s story) moved() (out, in int) {
	for _, f := range s.Findings {
		switch {
		case !f.Real() || f.Amount == nil || f.Amount.Sign() == 0:
		case f.Code == workflow.AirRemoved:
			out++
		case f.Code == workflow.AirAdded:
			in++
		}
	}
	return out, in
}
