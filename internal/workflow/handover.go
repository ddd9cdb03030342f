package workflow

import (
	"cmp"
	"slices"
	"time"
)

// Handover is what a page to hand a band over says beside the plan's summary. Pointers
// are nil and times zero for what is not known.
type Handover struct {
	Started   time.Time // start of compression as it was told or charted
	Titrated  *bool     // whether the pressure was already taken down at the table
	TakenDown time.Time // when it was taken down on the ward
	Maximum   Decimal   // mL that the device bears, by the event or else the protocol
	Replaced  time.Time // when the band took the place of another
	Sheath    *Decimal  // outer size in French
	INR       *Decimal
	Drugs     []Drug    // given for or before the procedure, as the event told
	Doses     []Finding // anticoagulants that were charted with a time, in order
	Count     *Finding  // last count of the air
	Look      *Finding  // last look at the site that saw something
	Test      *Finding  // last patency test that says something
	Tested    *Decimal  // mL in the band at that test, by the book
	Held      time.Time // haemostasis after the last bleed under the band
	HeldWith  *Decimal  // mL in the band then, by the book
	Haematoma *Finding  // as it was told last, while there is one
	Hand      *Finding  // the last look at the hand, while it is not normal
	Orders    []Order   // in force, in the order of the list of orders
	Next      []Task    // somebody's turn and not late, by their due times
	Late      []Task    // open and overdue, in order of creation
	Missed    []Task    // ended without what they asked for, in order of creation
	Calls     []Notice  // that nobody has answered, in order of the Tasks
	Issues    []Issue   // contradictions that are open
	Flags     []Flag    // warnings that are raised
}

// Handover tells the state at an instant, which is not before the last input.
func (e *Episode) Handover(at time.Time) Handover {
	v := newView(e)
	h := Handover{
		Started: v.start, TakenDown: v.titrated, Maximum: v.ledger.max, Replaced: v.band.since,
		Doses: e.doses(), Count: e.lastCount(), Look: v.site.last, Held: v.site.dryAt,
		Haematoma: v.body.swelling, Hand: v.body.hand, Orders: v.ordered(at),
	}
	if v.ev != nil {
		h.Titrated, h.Sheath, h.INR, h.Drugs = v.ev.Titrated, v.ev.Sheath, v.ev.INR, v.ev.Drugs
	}
	if f := v.flow.last; f != nil && f.Real() {
		h.Test, h.Tested = f, v.ledger.volumeAt(f.When())
	}
	if !h.Held.IsZero() {
		h.HeldWith = v.ledger.volumeAt(h.Held)
	}
	e.pending(&h)
	return h
}

// pending adds what waits for somebody.
func (e *Episode) pending(h *Handover) {
	for i := range e.Tasks {
		t := &e.Tasks[i]
		switch {
		case !t.Status.Finished() && (t.Lateness == Overdue || t.Lateness == Escalated):
			h.Late = append(h.Late, *t)
		case t.Status.Turn():
			h.Next = append(h.Next, *t)
		case t.missed():
			h.Missed = append(h.Missed, *t)
		}
		for k, c := range t.Called {
			if c.Answered.IsZero() {
				h.Calls = append(h.Calls, t.notice(k))
			}
		}
	}
	slices.SortStableFunc(h.Next, func(a, b Task) int {
		if a.Due.IsZero() != b.Due.IsZero() { // what has no due time comes last
			return cmp.Compare(b.Due.Unix(), a.Due.Unix())
		}
		return a.Due.Compare(b.Due)
	})
	for _, is := range e.Issues {
		if is.Settled.IsZero() {
			h.Issues = append(h.Issues, is)
		}
	}
	for _, f := range e.Flags {
		if f.Active {
			h.Flags = append(h.Flags, f)
		}
	}
}

// doses are the anticoagulants that were charted and not taken back.
func (e *Episode) doses() []Finding {
	var list []Finding
	for _, f := range e.facts() {
		if f.finding != nil && f.finding.Code == Anticoagulant {
			list = append(list, *f.finding)
		}
	}
	return list
}

// lastCount is the last count of the air that gave a volume; nil if there was none.
func (e *Episode) lastCount() *Finding {
	var last *Finding
	for _, f := range e.facts() {
		if f.finding != nil && f.finding.Code == AirVolume && f.finding.Real() {
			last = f.finding
		}
	}
	return last
}

// ordered are the orders in force at an instant.
func (v *view) ordered(at time.Time) []Order {
	var list []Order
	add := func(o *Order, stands bool) {
		if o != nil && stands {
			list = append(list, *o)
		}
	}
	o := v.orders
	add(o.stopped, true)
	add(o.noBand, true)
	add(o.hold, true)
	add(o.pause, o.pause != nil && at.Before(o.pause.Until))
	add(o.time, o.time != nil && v.inForce(o.time))
	add(o.volume, o.volume != nil && v.inForce(o.volume))
	add(o.toEmpty, true)
	return list
}

// volumeAt is what the book said at an instant; nil while nobody had told a volume, and
// after the band came off. A doubt of that time is not told.
func (l *ledger) volumeAt(at time.Time) *Decimal {
	var sum Decimal
	told := false
	for _, e := range l.entries {
		if e.At.After(at) {
			break
		}
		sum = sum.Add(e.Delta)
		switch e.Kind {
		case EntryStart, EntryCounted, EntryOrdered:
			told = true
		case EntryTakenOff:
			told = false
		case EntryRemoved, EntryAdded:
		}
	}
	if !told {
		return nil
	}
	return &sum
}
