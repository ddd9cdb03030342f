package workflow

import "time"

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
	counted  time.Time // last count of the air in the band
	titrated time.Time // last air out for the titration
	skipped  time.Time // last step that was charted as not done
	concerns []concern
	charting delays    // how long after they were found findings were entered
	moved    bool      // the book knows that the event moved to another wrist
	entered  time.Time // when the fact that is being folded was entered
}

// release is one step of air out.
type release struct {
	at      time.Time
	amount  Decimal
	finding string
	// told: it tells no more. A dry look or a bleed was found since, or it was taken in the
	// hold after a bleed and shows nothing of the steps after that.
	told bool
}

// travel is where the patient is.
type travel struct {
	last  time.Time // the last move, zero if there was none
	ended time.Time
}

// newView folds the facts up to now.
func newView(e *Episode) *view { return fold(e, func(*view, time.Time) {}) }

// fold folds the facts; saw is called with the view after each, and when it happened.
func fold(e *Episode, saw func(v *view, at time.Time)) *view {
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
		saw(v, v.begun())
	}
	for _, f := range e.facts() {
		v.entered = f.recorded
		if v.ev != nil && !v.entered.Before(v.ev.Recorded) {
			v.correctBook()
		}
		switch {
		case f.finding != nil:
			v.find(f.finding)
			v.charting.add(f.recorded.Sub(f.when), LateCharting)
		case f.order != nil:
			v.order(f.order)
		case f.move != nil:
			v.move(f.move)
		}
		saw(v, f.when)
	}
	v.entered = time.Time{}
	if v.correctBook(); v.moved {
		saw(v, v.ev.Recorded)
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
			v.counted = f.When()
			v.settled()
		}
	case AirRemoved:
		v.airOut(f)
	case AirAdded:
		v.airIn(f)
	case CompressionStart:
		v.startFound(f)
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
		if v.orders.toEmpty != nil && v.ledger.book().State != BookKnown {
			v.ledger.settle(EntryOrdered, f.When(), Decimal{}, f.By, "continued until the syringe drew nothing")
			v.settled()
			return
		}
		v.ledger.nothing(f)
	default:
		v.site.fresh = false
		v.ledger.remove(f, twin(v.ledger.lastOut, f, v.p.TwinWithin))
		switch v.e.actOf(f.ID) { //nolint:exhaustive // all else is a step
		case EaseCompression:
			v.flow.eased(f)
			return
		case Titration:
			v.titrated = f.When()
			return
		}
		v.releases = append(v.releases, release{at: f.When(), amount: *f.Amount, finding: f.ID, told: f.When().Before(v.site.hold)})
	}
}

// oddStart is by how much a start of compression that is charted may lie before what is
// known otherwise (judgement, to be confirmed by the site).
const oddStart = 30 * time.Minute

// startFound takes the start of compression from the bedside; one that opens the release
// much earlier than the event would is asked about first.
func (v *view) startFound(f *Finding) {
	if !f.Real() {
		return
	}
	if v.ev != nil && f.Instant.Before(v.begun().Add(-oddStart)) {
		v.withhold(string(CompressionStart), Urgent, f.When(), "compression was charted to have started long before what the event told")
	}
	v.start = f.Instant
}

// correctBook puts the volume in doubt before the first fact that was entered after the
// event moved to the other wrist: what was charted there before counts no more.
func (v *view) correctBook() {
	if !v.corrected() || v.moved {
		return
	}
	v.moved = true
	if v.bandOn() && v.ledger.known {
		v.ledger.doubtful(v.ev.Recorded, v.ev.Recorded, "the wrist or the patient was corrected: is this what the band there holds?")
	}
}

// settled ends an order to go on without knowing the volume once it is known.
func (v *view) settled() {
	if v.ledger.book().State == BookKnown {
		v.orders.toEmpty = nil
	}
}

func (v *view) airIn(f *Finding) {
	if !f.Real() || f.Amount.Sign() == 0 {
		return
	}
	v.site.fresh = false
	filled := v.ledger.opened // what goes into a band of which nothing is charted yet fills it
	v.ledger.add(f, twin(v.ledger.lastIn, f, v.p.TwinWithin))
	if filled {
		v.restored(f)
	}
	v.flow.stale = v.flow.last != nil
}

func (v *view) move(r *Relocated) {
	at := earlier(r.Found, r.At)
	if r.Ended {
		v.travel.ended = at
		return
	}
	v.travel.last = at
}

// ended reports whether the plan was stopped, by an order or by the event.
func (v *view) ended() bool { return v.revoked != nil || v.orders.stopped != nil }

// lastRelease is when the last step was taken, zero before the first.
func (v *view) lastRelease() time.Time {
	if len(v.releases) == 0 {
		return time.Time{}
	}
	return v.releases[len(v.releases)-1].at
}
