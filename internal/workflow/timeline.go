package workflow

import (
	"slices"
	"time"
)

// Timeline is what a picture of an episode shows, each list in order of time. People and
// the words that they wrote are left out of it.
type Timeline struct {
	Plan     Plan
	Began    time.Time // start of compression, or what stands in for it
	Told     bool      // whether the start of compression itself was told
	Maximum  Decimal   // mL that the band bears
	Levels   []AirLevel
	Adjusted []Entry // of the ledger: what is neither air out nor in
	Acts     []Act
	Spans    []Span
	Delays   []Delay
	Findings []Finding // that stand, of this wrist
	Orders   []Order
	Moves    []Relocated
}

// AirLevel is the air in the band by the book, from an instant to the next level. Off is a
// wrist without a band.
type AirLevel struct {
	At     time.Time
	State  BookState
	Volume Decimal // also while uncertain; 0 while unknown
	Off    bool
}

// Act is something done to the band, or planned: the planned times stand beside the real
// one. What the plan gave up is not among them.
type Act struct {
	Key     TaskKey
	Status  TaskStatus
	From    time.Time // planned, zero: not bound to the clock
	Due     time.Time // planned, zero: as From
	Planned *Decimal  // mL
	Done    time.Time // zero: not done
	Amount  *Decimal  // mL that really went out or in
	Finding string    // that told it, "" when the Task's end did
}

// SpanKind is what lasted.
type SpanKind string

// What lasts.
const (
	SpanBleeding  SpanKind = "bleeding"         // from the first look that found it to the dry one
	SpanNotPatent SpanKind = "not-patent"       // from the test that found the artery closed
	SpanHold      SpanKind = "hold"             // by order
	SpanPause     SpanKind = "pause"            // by order
	SpanAfter     SpanKind = "hold-after-bleed" // no air out, as the protocol says
)

// Span is what lasted from an instant to another; a zero To is not over.
type Span struct {
	Kind     SpanKind
	From, To time.Time
}

// Delay is a Task that was done late, or is late now: then Done is zero.
type Delay struct {
	Key       TaskKey
	Due, Done time.Time
}

// Timeline tells the episode as it stands.
func (e *Episode) Timeline() Timeline {
	w := watched{open: map[SpanKind]time.Time{}}
	v := fold(e, w.saw)
	w.pauses(e)
	slices.SortStableFunc(w.spans, func(a, b Span) int { return a.From.Compare(b.From) })
	m := newMachine(e, e.Last)
	m.v = v
	t := Timeline{
		Plan: e.Plan, Began: v.begun(), Told: !v.start.IsZero(), Maximum: v.ledger.max,
		Levels: w.levels, Spans: w.ended(v), Acts: m.acts(), Delays: m.late(),
	}
	if !v.first.IsZero() {
		t.Began = v.first
	}
	for _, x := range v.ledger.entries {
		switch x.Kind {
		case EntryCounted, EntryOrdered, EntryTakenOff:
			t.Adjusted = append(t.Adjusted, Entry{Kind: x.Kind, At: x.At, Delta: x.Delta})
		case EntryStart, EntryRemoved, EntryAdded:
		}
	}
	for _, f := range e.facts() {
		switch {
		case f.finding != nil:
			x := *f.finding
			x.By, x.Text = "", ""
			t.Findings = append(t.Findings, x)
		case f.order != nil:
			x := *f.order
			x.By, x.Reason = "", ""
			t.Orders = append(t.Orders, x)
		case f.move != nil:
			t.Moves = append(t.Moves, Relocated{Found: f.when, Ended: f.move.Ended})
		}
	}
	return t
}

// watched is what is noted of the facts while they are folded.
type watched struct {
	levels []AirLevel
	spans  []Span
	open   map[SpanKind]time.Time
	hold   time.Time // the last hold after a bleed that is among the spans
}

func (w *watched) saw(v *view, at time.Time) {
	w.level(v, at)
	w.lasts(SpanBleeding, v.site.bleed != nil || v.site.afterOff != nil, at)
	w.lasts(SpanNotPatent, v.flow.shut != nil, at)
	w.lasts(SpanHold, v.orders.hold != nil && v.bandOn(), at)
	if hold := v.site.hold; v.site.bleed == nil && v.bandOn() && hold.After(w.hold) {
		w.hold = hold
		w.spans = append(w.spans, Span{SpanAfter, at, hold})
	}
}

func (w *watched) level(v *view, at time.Time) {
	book := v.ledger.book()
	x := AirLevel{At: at, State: book.State, Volume: book.Volume, Off: !v.bandOn()}
	if n := len(w.levels); n > 0 {
		last := w.levels[n-1]
		x.At = later(last.At, at)
		if x.State == last.State && x.Off == last.Off && x.Volume.Cmp(last.Volume) == 0 {
			return
		}
	}
	w.levels = append(w.levels, x)
}

// lasts opens and closes what lasts.
func (w *watched) lasts(kind SpanKind, now bool, at time.Time) {
	from, open := w.open[kind]
	switch {
	case now && !open:
		w.open[kind] = at
	case !now && open:
		delete(w.open, kind)
		w.spans = append(w.spans, Span{kind, from, at})
	}
}

// pauses adds the pauses, each to its end or to when somebody took it back.
func (w *watched) pauses(e *Episode) {
	var last *Span
	for _, f := range e.facts() {
		if f.order == nil {
			continue
		}
		if last != nil && f.when.Before(last.To) && (f.order.Code == OrderResume || f.order.Code == OrderPauseRelease) {
			last.To = f.when
		}
		if f.order.Code == OrderPauseRelease {
			w.spans = append(w.spans, Span{SpanPause, f.when, f.order.Until})
			last = &w.spans[len(w.spans)-1]
		}
	}
}

// ended gives the spans in order, with those that are not over; holds end with the band.
func (w *watched) ended(v *view) []Span {
	for _, kind := range []SpanKind{SpanBleeding, SpanNotPatent, SpanHold} {
		if from, open := w.open[kind]; open {
			w.spans = append(w.spans, Span{Kind: kind, From: from})
		}
	}
	for i := range w.spans {
		x := &w.spans[i]
		if (x.Kind == SpanAfter || x.Kind == SpanPause) && !v.bandOn() && x.From.Before(v.band.off) {
			x.To = earlier(x.To, v.band.off)
		}
	}
	slices.SortStableFunc(w.spans, func(a, b Span) int { return a.From.Compare(b.From) })
	return w.spans
}

// acts are the Tasks that change the band, by their planned times.
func (m *machine) acts() []Act {
	var list []Act
	for i := range m.e.Tasks {
		t := &m.e.Tasks[i]
		if !t.onBand() || t.Status == TaskCancelled && !t.Skipped {
			continue
		}
		a := Act{Key: t.Key, Status: t.Status, From: t.NotBefore, Due: t.Due, Planned: t.Planned}
		if !t.Status.Finished() && !t.PlannedDue.IsZero() {
			a.From, a.Due = t.PlannedStart, t.PlannedDue
		}
		m.acted(t, &a)
		list = append(list, a)
	}
	slices.SortStableFunc(list, func(a, b Act) int { return a.From.Compare(b.From) })
	return list
}

// onBand reports whether the Task is about a change of the band or its air.
func (t *Task) onBand() bool {
	return t.act() != "" || t.Key.Code == BandRemoval || t.Key.Code == Dressing || t.Key.Code == DischargeCheck
}

// acted adds when the act of a Task was done, and with how much air.
func (m *machine) acted(t *Task, a *Act) {
	for _, o := range t.Outputs {
		if o.Missing == "" && (o.Code == t.act() || t.Key.Code == BandRemoval && o.Code == Band) {
			f := m.find(o.Finding)
			a.Done, a.Amount, a.Finding = f.When(), f.Amount, f.ID
			return
		}
	}
	if t.act() == "" && t.Status == TaskCompleted {
		a.Done = t.End
	}
}

// late are the Tasks that count as late care, and those that are late now.
func (m *machine) late() []Delay {
	var list []Delay
	for i := range m.e.Tasks {
		t := &m.e.Tasks[i]
		grace := m.v.p.Grace[t.Key.Code].Overdue
		switch {
		case t.Due.IsZero() || t.Key.Code == ClinicianReview:
		case t.Status == TaskCompleted && m.doneAt(t).Sub(t.Due) > grace:
			list = append(list, Delay{t.Key, t.Due, m.doneAt(t)})
		case t.Status.Finished() && t.Status != TaskCompleted && t.End.Sub(t.Due) > grace && (t.Skipped || len(t.Called) > 0):
			list = append(list, Delay{t.Key, t.Due, t.End})
		case !t.Status.Finished() && (t.Lateness == Overdue || t.Lateness == Escalated):
			list = append(list, Delay{Key: t.Key, Due: t.Due})
		}
	}
	slices.SortStableFunc(list, func(a, b Delay) int { return a.Due.Compare(b.Due) })
	return list
}
