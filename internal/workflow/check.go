package workflow

import (
	"fmt"
	"slices"
	"time"
)

// Check names every fault of the protocol, in a fixed order; empty if it can be used.
// It checks each value against its limits, the values against each other, and the
// protocol's own forecast against its own limits: at the largest start volume that it
// allows, without and with one bleed.
func (p *Protocol) Check() []string {
	var faults []string
	if p.URL == "" || p.Version == "" {
		faults = append(faults, "a protocol needs a url and a version")
	}
	if p.Applies.Kind != Diagnostic && p.Applies.Kind != Intervention {
		faults = append(faults, "the protocol must say for which kind of procedure it is: diagnostic or intervention")
	}
	for _, a := range parameters() {
		faults = append(faults, a.faults(p)...)
	}
	faults = append(faults, p.orderFaults()...)
	faults = append(faults, p.requiredFaults()...)
	if len(faults) == 0 {
		faults = p.forecastFaults()
	}
	return faults
}

// orderFaults compares the values with each other.
func (p *Protocol) orderFaults() []string {
	var faults []string
	rule := func(ok bool, format string, args ...any) {
		if !ok {
			faults = append(faults, fmt.Sprintf(format, args...))
		}
	}
	rule(!p.InitialMax.Less(p.InitialMin), "initial-volume-maximum %s mL is below initial-volume-minimum %s mL", p.InitialMax, p.InitialMin)
	rule(!p.DeviceMaximum.Less(p.InitialMax), "initial-volume-maximum %s mL is above device-maximum %s mL", p.InitialMax, p.DeviceMaximum)
	rule(!p.Step.Less(p.StepAfterBleed), "step-after-bleed %s mL is above step %s mL", p.StepAfterBleed, p.Step)
	rule(p.FirstRelease <= p.FirstReleaseHighINR, "first-release-high-inr is earlier than first-release")
	rule(p.Applies.Kind != Intervention || p.FirstRelease >= 60*time.Minute,
		"first-release is %s min: after an intervention it must be 60 or more (%s)", minuteText(p.FirstRelease), srcTrials)
	rule(p.TitrationWindow == 0 || p.TitrationAddBack.Sign() > 0, "titration-window is given without titration-add-back")
	rule(p.Applies.MinAge == nil || p.Applies.MaxAge == nil || *p.Applies.MinAge <= *p.Applies.MaxAge, "the protocol is for no age: its lowest is above its highest")
	rule(p.WatchAfterStep < p.Interval, "watch-after-step is not shorter than interval")
	rule(p.TwinWithin < p.Interval, "twin-within is not shorter than interval: a step would pass for a repeat of the one before")
	rule(p.SiteCheckFirst <= p.SiteCheckThen, "site-check-then is shorter than site-check-first")
	rule(p.WarnBandTime <= p.AlertBandTime, "alert-band-time is earlier than warn-band-time")
	rule(p.AlertBandTime <= p.MaxBandTime, "maximum-band-time is shorter than alert-band-time")
	rule(slices.IsSorted(p.AfterRemoval) && len(p.AfterRemoval) > 0, "site-check-after-removal must be given, in rising order")
	return faults
}

func (p *Protocol) requiredFaults() []string {
	var faults []string
	for _, code := range []TaskCode{ArrivalCheck, SiteCheck, PostRemovalCheck, DischargeCheck} {
		if !slices.Contains(p.Required[code], Bleeding) {
			faults = append(faults, fmt.Sprintf("required-%s must ask for %s", code, Bleeding))
		}
	}
	if !slices.Contains(p.Required[DischargeCheck], Patency) {
		faults = append(faults, fmt.Sprintf("required-%s must ask for %s (SCAI 2014)", DischargeCheck, Patency))
	}
	for _, code := range graced() {
		if _, ok := p.Grace[code]; !ok {
			faults = append(faults, fmt.Sprintf("grace-overdue-%s is missing", code))
		}
	}
	return faults
}

// forecastFaults holds the protocol's own steps against its own limits.
func (p *Protocol) forecastFaults() []string {
	var faults []string
	for _, bleed := range []bool{false, true} {
		total := p.LastRelease(p.InitialMax, bleed) + p.WatchAtEmpty
		if total > p.MaxBandTime {
			how := "without a bleed"
			if bleed {
				how = "with one bleed"
			}
			faults = append(faults, fmt.Sprintf("from %s mL %s the band would be on for %s min: maximum-band-time is %s",
				p.InitialMax, how, minuteText(total), minuteText(p.MaxBandTime)))
		}
	}
	return faults
}

// LastRelease forecasts, from the start of compression, when the last air goes out of a
// band that started with volume: first + (ceil(V/step) - 1) x interval without a bleed
// (arithmetic). With one bleed at the second step, found at the end of its watch and
// put back, the hold and the smaller steps are added.
func (p *Protocol) LastRelease(volume Decimal, bleed bool) time.Duration {
	t, left, last := p.FirstRelease, volume, time.Duration(0)
	small := 0
	for n := 1; left.Sign() > 0; n++ {
		size := p.StepFrom(volume)
		if small > 0 {
			size = p.StepAfterBleed
			small--
		}
		size = Least(size, left)
		left, last = left.Sub(size), t
		t += p.Interval
		if bleed && n == 2 {
			left = left.Add(Least(size, p.AddBackMax))
			t = last + p.WatchAfterStep + p.HoldAfterBleed
			small = p.DrySteps
		}
	}
	return last
}
