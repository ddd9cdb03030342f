package workflow

import (
	"fmt"
	"time"
)

// band is what is known of the band itself.
type band struct {
	off     time.Time     // zero while it is on
	planned bool          // it came off empty
	worn    time.Duration // by the bands before this one
	since   time.Time     // when it took the place of another; zero for the first
	odd     *Finding      // found where it should not be
	last    *Finding      // last finding about the band
}

// worn is the instant from which the total time of bands on this wrist counts.
func (v *view) worn() time.Time { return v.begun().Add(-v.band.worn) }

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
		v.band = band{odd: f, worn: v.band.worn, since: f.When()}
		v.flow, v.orders.toEmpty = flow{}, nil
		v.site.otherBand()
		v.ledger.another(f, "the band was replaced: the volume of the new one is not told")
		v.passed("band-replaced")
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
	v.releases, v.orders.time, v.orders.volume = nil, nil, nil
	if v.skipped.Before(f.When()) {
		v.skipped = time.Time{}
	}
	v.flow, v.orders.toEmpty = flow{}, nil
	v.site.otherBand()
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

// bandOn reports whether the band is on as far as is known.
func (v *view) bandOn() bool { return v.band.off.IsZero() }
