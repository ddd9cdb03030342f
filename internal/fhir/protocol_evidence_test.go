package fhir

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/workflow"
)

// The starters against what was published. Papers were read as abstracts, protocols of
// hospitals and services as far as they are public; a source's values are ranges of
// practice, not orders.

func within(t *testing.T, what string, got, low, high workflow.Decimal) {
	t.Helper()
	require.False(t, got.Less(low) || high.Less(got), "%s is %s, published: %s to %s", what, got, low, high)
}

func between(t *testing.T, what string, got time.Duration, low, high int) {
	t.Helper()
	require.True(t, got >= time.Duration(low)*time.Minute && got <= time.Duration(high)*time.Minute,
		"%s is %s, published: %d to %d min", what, got, low, high)
}

// evidence is one check of a starter with its published source.
type evidence struct {
	what   string
	source string
	check  func(t *testing.T, p *workflow.Protocol)
}

func dec(s string) workflow.Decimal { return workflow.MustDecimal(s) }

func volumeEvidence() []evidence {
	return []evidence{
		{
			"initial volume within 10 to 18 mL",
			"CRASOC (Dangoisse 2017, Am J Cardiol): 10; BC Emergency Health Services PR32: 15; Swedish cardiology reference site: up to 18",
			func(t *testing.T, p *workflow.Protocol) {
				within(t, "initial-volume-minimum", p.InitialMin, dec("10"), dec("18"))
				within(t, "initial-volume-maximum", p.InitialMax, dec("10"), dec("18"))
			},
		},
		{
			"the usual initial volumes, 13 to 16 mL, are allowed",
			"BC Emergency Health Services PR32: 15; Swedish reference site: 13; UK trusts: 14 to 15; J Saudi Heart Assoc 32(1) (Oman): 16",
			func(t *testing.T, p *workflow.Protocol) {
				within(t, "13 mL", dec("13"), p.InitialMin, p.InitialMax)
				within(t, "16 mL", dec("16"), p.InitialMin, p.InitialMax)
			},
		},
		{
			"never above 18 mL",
			"BC Emergency Health Services PR32; Swedish cardiology reference site; a UK trust (else reposition)",
			func(t *testing.T, p *workflow.Protocol) {
				within(t, "device-maximum", p.DeviceMaximum, p.InitialMax, dec("18"))
			},
		},
		{
			"the steps take out what is in, and never below 0",
			"arithmetic: removed - added + current = initial",
			func(t *testing.T, p *workflow.Protocol) {
				for _, v := range []string{"10", "13", "15", "16", "18"} {
					left, removed := dec(v), dec("0")
					for left.Sign() > 0 {
						size := workflow.Least(p.Step, left)
						left, removed = left.Sub(size), removed.Add(size)
					}
					require.Zero(t, left.Sign())
					require.Zero(t, removed.Cmp(dec(v)))
				}
			},
		},
		{
			"titration leaves 1 to 3 mL above the volume at which blood shows",
			"a ward protocol: 1; Eid-Lidt 2022 (JACC Cardiovasc Interv, NCT03558243): 2; Swedish cardiology reference site: 3",
			func(t *testing.T, p *workflow.Protocol) {
				within(t, "titration-add-back", p.TitrationAddBack, dec("1"), dec("3"))
			},
		},
	}
}

func releaseEvidence() []evidence {
	return []evidence{
		{
			"step 1 to 5 mL, usual 2 to 3",
			"BC Emergency Health Services PR32: 2; US neuro-interventional nursing abstract: 3; UK trust: 3 to 5; practitioners' forum: 1 to 3",
			func(t *testing.T, p *workflow.Protocol) { within(t, "step", p.Step, dec("2"), dec("3")) },
		},
		{
			"interval 10 to 30 min, usual 15",
			"BC Emergency Health Services PR32 and Tuttle 2019 (Cardiol Res 10:331-5): 15; US teaching-hospital page: 10; Oman trial: 30",
			func(t *testing.T, p *workflow.Protocol) { between(t, "interval", p.Interval, 10, 30) },
		},
		{
			"first release 30 to 120 min after a diagnostic procedure, 60 to 120 after an intervention",
			"US teaching-hospital page: 60 and 120; US neuro-interventional nursing abstract: 60 and 90; Carrington (Auckland): 60 against 120; " +
				"San Francisco project 2022: 60; a ward protocol: 90; United Christian Hospital, Hong Kong: 120",
			func(t *testing.T, p *workflow.Protocol) {
				low := 30
				if p.Applies.Kind == workflow.Intervention {
					low = 60
				}
				between(t, "first-release", p.FirstRelease, low, 120)
			},
		},
		{
			"first release at 120 min with an INR above 2",
			"US teaching-hospital medicine page",
			func(t *testing.T, p *workflow.Protocol) {
				require.Equal(t, 120*time.Minute, p.FirstReleaseHighINR)
				require.Zero(t, p.HighINR.Cmp(dec("2")))
			},
		},
		{
			"after bleeding 1 to 3 mL, or what was just removed, go back",
			"BC Emergency Health Services PR32: what was removed; US teaching-hospital page: 1 to 2; practitioners' forum: 3",
			func(t *testing.T, p *workflow.Protocol) {
				within(t, "add-back-maximum", p.AddBackMax, dec("1"), dec("3"))
			},
		},
		{
			"hold 10 to 30 min after bleeding (60 is an outlier)",
			"US teaching-hospital page: 30; UK trust: 10 to 15; practitioners' forum: 15; NCT05790603: 60",
			func(t *testing.T, p *workflow.Protocol) {
				between(t, "hold-after-bleed", p.HoldAfterBleed, 10, 30)
				between(t, "hold-after-ooze", p.HoldAfterOoze, 10, 30)
				require.LessOrEqual(t, p.HoldAfterOoze, p.HoldAfterBleed)
			},
		},
		{
			"the step after bleeding is not larger than the usual one",
			"US teaching-hospital page: 1 mL after bleeding, 2 mL else",
			func(t *testing.T, p *workflow.Protocol) {
				within(t, "step-after-bleed", p.StepAfterBleed, dec("1"), p.Step)
			},
		},
		{
			"not patent and not bleeding: 1 to 2 mL out, tested again after 15 min",
			"Eid-Lidt 2022 (JACC Cardiovasc Interv, NCT03558243)",
			func(t *testing.T, p *workflow.Protocol) {
				within(t, "ease", p.Ease, dec("1"), dec("2"))
				require.Equal(t, 15*time.Minute, p.EaseRetest)
			},
		},
	}
}

func checkEvidence() []evidence {
	return []evidence{
		{
			"a look at the site every 15 min, at most every 30",
			"BC Emergency Health Services PR32: 15; University of Wisconsin policy 2015: 30",
			func(t *testing.T, p *workflow.Protocol) {
				between(t, "site-check-first", p.SiteCheckFirst, 1, 15)
				between(t, "site-check-then", p.SiteCheckThen, 1, 30)
			},
		},
		{
			"four looks in the first hour; after removal the first within 15 min and no gap above an hour",
			"Cardiac nursing textbook: every 15 min for 1 h, every 30 min for 1 h, hourly for 4 h (10 checks, 6 h)",
			func(t *testing.T, p *workflow.Protocol) {
				require.GreaterOrEqual(t, p.SiteCheckCount, 4)
				between(t, "the first look after removal", p.AfterRemoval[0], 1, 15)
				last := time.Duration(0)
				for _, d := range p.AfterRemoval {
					between(t, "the gap between looks after removal", d-last, 1, 60)
					last = d
				}
				between(t, "site-check-after-removal-then", p.AfterThen, 1, 60)
			},
		},
		{
			"patency tested within the first hour, and 60 min after removal",
			"OPEN-Radial 2020 (J Invasive Cardiol 32:476-82): 15, 60, 90, 120 min after the start, and 1 h after removal",
			func(t *testing.T, p *workflow.Protocol) {
				between(t, "patency-arrival", p.PatencyArrival, 15, 60)
				require.Equal(t, 60*time.Minute, p.PatencyAfterRemoval)
			},
		},
		{
			"patency is assessed before discharge",
			"Rao 2014 (SCAI, Catheter Cardiovasc Interv 83:228-36)",
			func(t *testing.T, p *workflow.Protocol) {
				require.True(t, slices.Contains(p.Required[workflow.DischargeCheck], workflow.Patency))
			},
		},
	}
}

func TestStartersWithinPublishedRanges(t *testing.T) {
	for _, kind := range []workflow.ProcedureKind{workflow.Diagnostic, workflow.Intervention} {
		for _, e := range slices.Concat(volumeEvidence(), releaseEvidence(), checkEvidence()) {
			t.Run(string(kind)+"/"+e.what, func(t *testing.T) {
				require.NotEmpty(t, e.source)
				e.check(t, starter(t, kind))
			})
		}
	}
}

// US teaching-hospital page (60 and 120), US neuro-interventional nursing abstract (60
// and 90), practitioners' forum (30 and 60, 60 and 120): never earlier after an
// intervention.
func TestInterventionIsNotReleasedEarlier(t *testing.T) {
	require.GreaterOrEqual(t, starter(t, workflow.Intervention).FirstRelease, starter(t, workflow.Diagnostic).FirstRelease)
}

// Rao 2014 (SCAI): patency is assessed again at the first visit. That is after the plan
// ends, so the starter says it to its readers.
func TestStartersNameTheFirstVisit(t *testing.T) {
	for _, kind := range []workflow.ProcedureKind{workflow.Diagnostic, workflow.Intervention} {
		var d definition
		require.NoError(t, json.Unmarshal(starterBytes(t, kind), &d))
		require.True(t, slices.ContainsFunc(d.RelatedArtifact, func(a struct{ Type, Citation string }) bool {
			return strings.HasPrefix(a.Citation, "Rao 2014") && strings.Contains(a.Citation, "first visit")
		}))
	}
}

// Arithmetic: n = ceil(V / step) releases, the last at first + (n - 1) x interval. Two
// examples are a trial's arms (J Saudi Heart Assoc 32(1), NCT03380065): 2 mL every 30
// min from 60 (observed mean 274 min), 4 mL every 15 min from 120 (observed 201).
func TestLastReleaseArithmetic(t *testing.T) {
	tests := []struct {
		volume, step          string
		first, interval, want int
	}{
		{"15", "3", 60, 15, 120},
		{"16", "2", 60, 30, 270},
		{"16", "4", 120, 15, 165},
		{"15", "2", 60, 15, 165},
		{"15", "3", 120, 15, 180},
	}
	for _, tt := range tests {
		p := workflow.Protocol{
			FirstRelease: time.Duration(tt.first) * time.Minute, Interval: time.Duration(tt.interval) * time.Minute, Step: dec(tt.step),
		}
		got := p.LastRelease(dec(tt.volume), false)
		require.Equal(t, time.Duration(tt.want)*time.Minute, got, "%s mL by %s", tt.volume, tt.step)
		n := 0
		for left := dec(tt.volume); left.Sign() > 0; left = left.Sub(dec(tt.step)) {
			n++
		}
		require.Equal(t, time.Duration(tt.first+(n-1)*tt.interval)*time.Minute, got)
	}
}

// Arithmetic: 15 mL, first at 120 min, a bleed at the second step, 3 mL back, 30 min of
// hold, two half steps, then usual ones: 120, 135, (bleed found at 137) 167, 182, 197,
// 212, 227. Above 240 min occlusion was five times as frequent (SCAI 2019 abstract).
func TestOneBleedStaysBelowTheAlert(t *testing.T) {
	p := starter(t, workflow.Intervention)
	require.Equal(t, 227*time.Minute, p.LastRelease(dec("15"), true))
	require.Less(t, p.LastRelease(dec("15"), true), p.AlertBandTime)
	require.LessOrEqual(t, p.LastRelease(p.InitialMax, true)+p.WatchAtEmpty, p.MaxBandTime)
}
