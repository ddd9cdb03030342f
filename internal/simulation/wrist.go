package simulation

import (
	"math"
	"math/rand/v2"
	"strconv"
	"time"

	"fhirsvc/internal/workflow"
)

// wrist is how the invented wrist really is, whatever is charted.
type wrist struct {
	rates   Rates
	r       *rand.Rand
	start   time.Time        // of compression
	full    workflow.Decimal // air at the start, mL
	air     workflow.Decimal // air now
	on      bool             // the band
	frailty float64          // of the clot: mean 1
	bleeds  int              // so far
	bleed   workflow.Answer  // oozing or active; "" while dry
	next    time.Time        // when it begins to bleed by itself, zero if it does not
	open    bool             // flow through the radial artery
	lump    *workflow.Decimal
	lumpAt  time.Time
}

// newWrist draws a wrist with a band that was filled at start.
func newWrist(r *rand.Rand, rates Rates, start time.Time, told workflow.Decimal) *wrist {
	w := &wrist{rates: rates, r: r, start: start, full: told, air: told, on: true}
	// Patients differ: STAT2 2021 had 67.3 % re-inflated, 2.3 times on average. A Poisson
	// law gives 1.7 times at that share; half the sum of two exponentials (Erlang, shape 2)
	// as each patient's own factor gives 2.2.
	w.frailty = (r.ExpFloat64() + r.ExpFloat64()) / 2
	if chance(r, rates.Nursing.Leak) {
		w.air = w.air.Sub(workflow.MustDecimal("1"))
	}
	w.open = chance(r, rates.Patent)
	if chance(r, rates.Haematoma) {
		// Most are small (grade I to 5 cm, II to 10 cm; Bertrand's EASY grades); the
		// shares are a judgement.
		size := workflow.MustDecimal([]string{"2", "3", "3", "4", "4", "5", "6", "8", "9", "11"}[r.IntN(10)])
		w.lump, w.lumpAt = &size, start.Add(uniform(r, 3*time.Hour))
	}
	return w
}

// letOut takes air out, as much as there is of what was asked, and gives that.
func (w *wrist) letOut(at time.Time, ask workflow.Decimal) workflow.Decimal {
	out := workflow.Least(ask, w.air)
	w.air = w.air.Sub(out)
	ml := number(out)
	if !w.open {
		w.open = chance(w.r, 1-math.Pow(1-w.rates.Opens, ml))
	}
	if w.bleed == "" && chance(w.r, 1-math.Exp(-w.hazard(at, ml))) {
		w.next = at
		if !chance(w.r, w.rates.Seen) {
			w.next = at.Add(uniform(w.r, w.rates.Later))
		}
	}
	return out
}

// hazard of letting so much air out: in proportion to the share of the start volume, and
// halving with the age of the clot.
func (w *wrist) hazard(at time.Time, ml float64) float64 {
	share := ml / number(w.full) * 3
	age := max(0, at.Sub(w.start)-time.Duration(w.bleeds)*w.rates.Setback) - time.Hour
	return w.frailty * w.rates.Bleed * share * math.Exp2(-age.Minutes()/w.rates.Halving.Minutes())
}

// putBack adds air, which mostly stops a bleed and sometimes closes the artery.
func (w *wrist) putBack(ml workflow.Decimal) {
	w.air = w.air.Add(ml)
	if chance(w.r, w.rates.Held) {
		w.press()
	}
	if w.open && chance(w.r, w.rates.Closes) {
		w.open = false
	}
}

// press stops any bleed by hand.
func (w *wrist) press() { w.bleed, w.next = "", time.Time{} }

// takeOff removes the band: from now on the artery is open or occluded for good.
func (w *wrist) takeOff(at time.Time) {
	occluded := w.rates.Occluded
	if !w.open {
		odds := occluded / (1 - occluded) * w.rates.OccludedOdds
		occluded = odds / (1 + odds)
	}
	w.open, w.on, w.air = !chance(w.r, occluded), false, workflow.Decimal{}
	if chance(w.r, w.rates.Rebound) {
		w.next = at.Add(uniform(w.r, time.Hour))
	}
}

// look is what the site shows at the instant.
func (w *wrist) look(at time.Time) workflow.Answer {
	if w.bleed == "" && !w.next.IsZero() && !at.Before(w.next) {
		w.next, w.bleed = time.Time{}, workflow.Oozing
		w.bleeds++
		if chance(w.r, w.rates.Active) {
			w.bleed = workflow.Active
		}
	}
	if w.bleed == "" {
		return workflow.Haemostasis
	}
	return w.bleed
}

// swollen gives the diameter of the haematoma in cm, nil while there is none.
func (w *wrist) swollen(at time.Time) *workflow.Decimal {
	if w.lump == nil || at.Before(w.lumpAt) {
		return nil
	}
	return w.lump
}

func chance(r *rand.Rand, p float64) bool { return r.Float64() < p }

// wait draws an exponential delay, in whole seconds.
func wait(r *rand.Rand, mean time.Duration) time.Duration {
	return time.Duration(r.ExpFloat64() * float64(mean)).Round(time.Second)
}

// uniform draws from 0 to limit, in whole seconds.
func uniform(r *rand.Rand, limit time.Duration) time.Duration {
	return time.Duration(r.Float64() * float64(limit)).Round(time.Second)
}

// number is a volume as the model computes with it; the core never sees it.
func number(d workflow.Decimal) float64 {
	f, err := strconv.ParseFloat(d.String(), 64)
	if err != nil {
		panic(err) // a decimal is a number
	}
	return f
}
