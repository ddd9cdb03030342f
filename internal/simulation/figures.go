package simulation

import (
	"math"
	"slices"
	"time"
)

// Figures sum up a number of episodes.
type Figures struct {
	Episodes int
	Faults   int

	FirstRelease, LastRelease, BandTime, Discharge Distribution // minutes from the start of compression

	Bleeds, Loops, Eases, Visits, Batches, Late, Calls, Reviews Distribution // a number an episode

	Bled        float64 // share of episodes with a bleed under the band, 0 to 1
	Rebled      float64 // share with a bleed after the band came off
	BleedsIfAny float64 // mean number of bleeds in those that bled at all
	Patent      float64 // share with flow at the first test
	Occluded    float64 // share without flow at the first test after removal
	Long        float64 // share with a band time above 240 min
	// SmoothVisits is how many visits the episodes took in which nothing bled, was eased,
	// or had to be decided.
	SmoothVisits Distribution
}

// Distribution of a measure; all zero when there is no value.
type Distribution struct {
	N                             int
	Mean, SD                      float64
	Least, P10, Median, P90, Most float64
}

// Summarise sums up. Episodes with a fault are counted as such and nowhere else.
func Summarise(results []Result) Figures {
	f := Figures{Episodes: len(results)}
	var sound []Result
	for _, r := range results {
		if r.Fault != "" {
			f.Faults++
			continue
		}
		sound = append(sound, r)
	}
	f.FirstRelease = of(sound, func(r Result) float64 { return r.FirstRelease.Minutes() })
	f.LastRelease = of(sound, func(r Result) float64 { return r.LastRelease.Minutes() })
	f.BandTime = of(sound, func(r Result) float64 { return r.BandTime.Minutes() })
	f.Discharge = of(sound, func(r Result) float64 { return r.Discharge.Minutes() })
	f.Bleeds = of(sound, func(r Result) float64 { return float64(r.Bleeds) })
	f.Loops = of(sound, func(r Result) float64 { return float64(r.Loops) })
	f.Eases = of(sound, func(r Result) float64 { return float64(r.Eases) })
	f.Visits = of(sound, func(r Result) float64 { return float64(r.Visits) })
	f.Batches = of(sound, func(r Result) float64 { return float64(r.Batches) })
	f.Late = of(sound, func(r Result) float64 { return float64(r.Late) })
	f.Calls = of(sound, func(r Result) float64 { return float64(r.Calls) })
	f.Reviews = of(sound, func(r Result) float64 { return float64(r.Reviews) })
	f.Bled = share(sound, func(r Result) bool { return r.Bleeds > 0 })
	f.Rebled = share(sound, func(r Result) bool { return r.Rebounds > 0 })
	f.Patent = share(sound, func(r Result) bool { return r.PatentFirst })
	f.Occluded = share(sound, func(r Result) bool { return r.Occluded })
	f.Long = share(sound, func(r Result) bool { return r.BandTime > 4*time.Hour })
	if f.Bled > 0 {
		f.BleedsIfAny = f.Bleeds.Mean / f.Bled
	}
	smooth := slices.DeleteFunc(slices.Clone(sound), func(r Result) bool { return r.Bleeds+r.Rebounds+r.Eases+r.Reviews > 0 })
	f.SmoothVisits = of(smooth, func(r Result) float64 { return float64(r.Visits) })
	return f
}

// of gives the distribution of a measure over the episodes.
func of(results []Result, measure func(Result) float64) Distribution {
	values := make([]float64, len(results))
	for i, r := range results {
		values[i] = measure(r)
	}
	return distribute(values)
}

// distribute sums values up; it sorts them. SD is that of a sample, quantiles are the
// nearest value at or above the rank.
func distribute(values []float64) Distribution {
	n := len(values)
	if n == 0 {
		return Distribution{}
	}
	slices.Sort(values)
	var sum, squares float64
	for _, v := range values {
		sum += v
	}
	mean := sum / float64(n)
	for _, v := range values {
		squares += (v - mean) * (v - mean)
	}
	quantile := func(q float64) float64 { return values[max(0, int(math.Ceil(q*float64(n)))-1)] }
	return Distribution{
		N: n, Mean: mean, SD: math.Sqrt(squares / float64(max(1, n-1))),
		Least: values[0], P10: quantile(0.1), Median: quantile(0.5), P90: quantile(0.9), Most: values[n-1],
	}
}

func share(results []Result, is func(Result) bool) float64 {
	if len(results) == 0 {
		return 0
	}
	n := 0
	for _, r := range results {
		if is(r) {
			n++
		}
	}
	return float64(n) / float64(len(results))
}
