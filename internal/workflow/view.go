package workflow

import (
	"fmt"
	"time"
)

// view is what the facts say. It is computed anew from all facts at every step.
type view struct {
	e       *Episode
	p       *Protocol // never nil: see fallback
	ev      *Event    // nil before the first event
	revoked *Revoked
	start   time.Time // start of compression; zero while not told
	first   time.Time // of the first of several bands; zero while there is one
	ledger  ledger
	band    band
	site    site
	flow    flow
	orders  orders
	travel  travel
	body    body
	// releases are the steps taken: air out that was no easing.
	releases []release
	titrated time.Time // last air out for the titration
	skipped  time.Time // last step that was charted as not done
	concerns []concern
}

// band is what is known of the band itself.
type band struct {
	off     time.Time     // zero while it is on
	planned bool          // it came off empty
	worn    time.Duration // by the bands before this one
	odd     *Finding      // found where it should not be
	last    *Finding      // last finding about the band
}

// release is one step of air out.
type release struct {
	at      time.Time
	amount  Decimal
	finding string
	dry     bool // a dry look was found since
}

// orders are the orders in force.
type orders struct {
	hold      *Order
	pause     *Order
	time      *Order
	volume    *Order
	toEmpty   *Order
	stopped   *Order
	noBand    *Order
	lastOrder time.Time
}

// travel is where the patient is.
type travel struct {
	last  time.Time // the last move, zero if there was none
	ended time.Time
}

// concern is something that a person must decide. Cause names it; of one cause there is
// one review at a time. At is when it arose.
type concern struct {
	cause     string
	priority  Priority
	text      string
	at        time.Time
	withholds bool // no release while nobody has answered
	byOrder   bool // an order alone is an answer
	cleared   bool // a later finding took it back
}

// newView folds the facts up to now.
func newView(e *Episode) *view {
	v := &view{e: e, p: e.Protocol, ev: e.event(), revoked: e.revocation()}
	if v.p == nil {
		v.p = fallback()
	}
	v.ledger.max = v.p.DeviceMaximum
	for _, at := range e.Skips {
		v.skipped = later(v.skipped, at)
	}
	if v.ev != nil {
		v.open()
	}
	for _, f := range e.facts() {
		switch {
		case f.finding != nil:
			v.find(f.finding)
		case f.order != nil:
			v.order(f.order)
		case f.move != nil:
			v.move(f.move)
		}
	}
	v.judge()
	return v
}

// open starts the ledger and the clocks from the event.
func (v *view) open() {
	ev := v.ev
	v.start = ev.CompressionStart
	if ev.BandMaximum != nil {
		v.ledger.max = Least(v.ledger.max, *ev.BandMaximum)
	}
	if ev.Volume != nil {
		v.ledger.begin(v.begun(), ev.Recorded, *ev.Volume, ev.VolumeBy)
		v.ledger.changed = v.begun()
		if ev.Volume.Sign() == 0 {
			v.ledger.doubtful(v.begun(), ev.Recorded, "no air at all was told for the start")
		}
	}
}

// begun is when compression started as far as can be told: the procedure's end or the
// event's receipt stand in, for the total-time warning and the first checks alone.
func (v *view) begun() time.Time {
	switch {
	case !v.start.IsZero():
		return v.start
	case v.ev == nil:
		return time.Time{}
	case !v.ev.PerformedEnd.IsZero():
		return v.ev.PerformedEnd
	}
	return v.ev.Recorded
}

// worn is the instant from which the total time of bands on this wrist counts.
func (v *view) worn() time.Time { return v.begun().Add(-v.band.worn) }

// find folds one finding.
func (v *view) find(f *Finding) {
	switch f.Code {
	case Bleeding:
		v.look(f)
	case Patency:
		v.tested(f)
	case AirVolume:
		if f.Real() && v.band.off.IsZero() {
			v.ledger.count(f)
		}
	case AirRemoved:
		v.airOut(f)
	case AirAdded:
		v.airIn(f)
	case CompressionStart:
		if f.Real() {
			v.start = f.Instant
		}
	case Band:
		v.bandFound(f)
	case Haematoma, Hand, Pulse, Condition, Pain, Pressure:
		v.worry(f)
	case Anticoagulant:
		v.medicated(f)
	case OtherFinding:
	}
}

func (v *view) airOut(f *Finding) {
	switch {
	case !f.Real():
		v.skipped = later(v.skipped, f.When())
	case f.Amount.Sign() == 0:
		if v.orders.toEmpty != nil {
			v.ledger.settle(EntryOrdered, f.When(), Decimal{}, f.By, "continued until the syringe drew nothing")
			return
		}
		v.ledger.nothing(f)
	default:
		v.ledger.remove(f, twin(v.ledger.lastOut, f, v.p.TwinWithin))
		switch v.e.actOf(f.ID) { //nolint:exhaustive // all else is a step
		case EaseCompression:
			v.flow.eased(f)
			return
		case Titration:
			v.titrated = f.When()
			return
		}
		v.releases = append(v.releases, release{at: f.When(), amount: *f.Amount, finding: f.ID})
	}
}

func (v *view) airIn(f *Finding) {
	if !f.Real() || f.Amount.Sign() == 0 {
		return
	}
	v.ledger.add(f, twin(v.ledger.lastIn, f, v.p.TwinWithin))
	v.site.restored(f)
	v.flow.stale = v.flow.last != nil
}

func (v *view) bandFound(f *Finding) {
	if !f.Real() {
		return
	}
	v.band.odd = nil
	switch f.Answer { //nolint:exhaustive // the other answers are not about the band
	case BandOff:
		v.bandCameOff(f.When(), f.By)
	case BandNeverApplied:
		v.bandCameOff(f.When(), f.By)
		v.concern("band-never-applied", Urgent, f.When(), "no band was ever on: was the plan meant for this wrist?")
	case BandOn:
		v.clear(oddBand(BandDisplaced))
		v.clear(oddBand(BandOverUlnar))
		if !v.band.off.IsZero() {
			v.bandAgain(f)
		}
	case BandReplaced:
		if !v.band.off.IsZero() {
			v.bandAgain(f)
			break
		}
		v.band = band{odd: f, worn: v.band.worn}
		v.ledger.another(f, "the band was replaced: the volume of the new one is not told")
		v.concern("band-replaced", Urgent, f.When(), "the band was replaced: confirm the plan for the new one")
	case BandDisplaced, BandOverUlnar:
		v.band.odd = f
		v.withhold(oddBand(f.Answer), Urgent, f.When(), fmt.Sprintf("the band was found %q: what is to be done?", f.Answer))
	}
	v.band.last = f
}

// bandAgain begins anew for a band that was put on after one was off: its own time to
// the first release, its own tests; the time on the wrist adds up.
func (v *view) bandAgain(f *Finding) {
	if v.first.IsZero() {
		v.first = v.begun()
	}
	v.band = band{worn: v.band.worn + v.band.off.Sub(v.begun())}
	v.start = f.When()
	v.releases, v.skipped, v.orders.time, v.orders.volume = nil, time.Time{}, nil, nil
	v.flow = flow{}
	v.ledger.another(f, "a band is on again: its volume is not told")
	v.concern("band-on-again", Urgent, f.When(), "the band is on again after it was off: what is to be done next?")
	if v.body.dose != nil {
		v.medicated(v.body.dose)
		v.body.dose = nil
	}
}

// oddBand names the cause of a band found where it should not be.
func oddBand(found Answer) string { return "band-" + string(found) }

// bandCameOff ends the time of the band; from now on the site is watched without it.
func (v *view) bandCameOff(at time.Time, by string) {
	if !v.band.off.IsZero() {
		return
	}
	v.band.planned = !v.ledger.emptied.IsZero()
	v.ledger.close(at, by)
	v.band.off = at
	v.site.bandOff()
}

func (v *view) order(o *Order) {
	at := earlier(o.Given, o.Recorded)
	v.orders.lastOrder = at
	switch o.Code {
	case OrderHold:
		v.orders.hold = o
	case OrderResume:
		v.orders.hold, v.orders.pause = nil, nil
	case OrderPauseRelease:
		v.orders.pause = o
	case OrderOverrideTime:
		v.orders.time = o
		v.clear(string(Anticoagulant)) // the prescriber's time is the answer
	case OrderOverrideVolume:
		v.orders.volume = o
	case OrderAdjustVolume:
		v.ledger.settle(EntryOrdered, at, *o.Amount, o.By, "adjusted: "+o.Reason)
	case OrderContinueToEmpty:
		v.orders.toEmpty = o
	case OrderNoBandPlan:
		v.orders.noBand = o
		v.bandCameOff(at, o.By)
	case OrderStopPlan:
		v.orders.stopped = o
	}
}

func (v *view) move(r *Relocated) {
	at := earlier(r.Found, r.At)
	if r.Ended {
		v.travel.ended = at
		return
	}
	v.travel.last = at
}

// concern notes something for a person to decide.
func (v *view) concern(cause string, priority Priority, at time.Time, text string) {
	v.raise(concern{cause: cause, priority: priority, text: text, at: at})
}

// withhold is a concern that stops releases until a person has answered.
func (v *view) withhold(cause string, priority Priority, at time.Time, text string) {
	v.raise(concern{cause: cause, priority: priority, text: text, at: at, withholds: true})
}

// raise keeps a concern unless the same cause is already there, no less urgent and not
// taken back: one cause, one call, repeated only when it gets worse.
func (v *view) raise(c concern) {
	for _, old := range v.concerns {
		if old.cause == c.cause && !old.cleared && old.priority.rank() >= c.priority.rank() {
			return
		}
	}
	v.concerns = append(v.concerns, c)
}

// ended reports whether the plan was stopped, by an order or by the event.
func (v *view) ended() bool { return v.revoked != nil || v.orders.stopped != nil }

// bandOn reports whether the band is on as far as is known.
func (v *view) bandOn() bool { return v.band.off.IsZero() }

// lastRelease is when the last step was taken, zero before the first.
func (v *view) lastRelease() time.Time {
	if len(v.releases) == 0 {
		return time.Time{}
	}
	return v.releases[len(v.releases)-1].at
}
