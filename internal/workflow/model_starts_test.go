package workflow_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/workflow"
)

// modelStart is how an episode begins, under which protocol.
type modelStart struct {
	name     string
	protocol *workflow.Protocol
	change   func(ev *workflow.Event) // beside 4 mL at 10:00, told at 10:05
	whole    bool                     // every input is tried, and pairs of them
}

func modelStarts() []modelStart {
	small, loose := smallProtocol(), looseProtocol()
	as := func(*workflow.Event) {}
	return []modelStart{
		{"small", small, as, true},
		{"loose", loose, as, true},
		{"volume not told", small, func(ev *workflow.Event) { ev.Volume = nil }, false},
		{"start not told", small, func(ev *workflow.Event) { ev.CompressionStart = time.Time{} }, false},
		{"more than the device holds", small, func(ev *workflow.Event) { ev.Volume = decimal("6.5") }, false},
		{"no air at all", small, func(ev *workflow.Event) { ev.Volume = decimal("0") }, false},
		{"heard of hours later", small, func(ev *workflow.Event) { ev.CompressionStart = ev.Recorded.Add(-3 * time.Hour) }, false},
		{"another plan open", small, func(ev *workflow.Event) { ev.OtherPlan = "episode-2" }, false},
		{"not titrated", small, func(ev *workflow.Event) { no := false; ev.Titrated = &no }, false},
		{"a glycoprotein inhibitor", small, func(ev *workflow.Event) { ev.Drugs = []workflow.Drug{workflow.GlycoproteinInhibitor} }, false},
		{"steps as parts", partsProtocol(), as, false},
		{"no protocol fits", nil, as, false},
		{"starter, diagnostic", starter(workflow.Diagnostic), func(ev *workflow.Event) { ev.Volume = decimal("15") }, false},
		{"starter, intervention", starter(workflow.Intervention), func(ev *workflow.Event) {
			ev.Volume, ev.Kind, ev.INR = decimal("12"), workflow.Intervention, decimal("2.5")
		}, false},
	}
}

func (s modelStart) bed(t testing.TB) bed {
	t.Helper()
	now := day.Add(10*time.Hour + 5*time.Minute)
	ev := workflow.Event{
		Order: now, Recorded: now, Kind: workflow.Diagnostic, Side: workflow.Right, VolumeBy: "operator", Volume: decimal("4"),
		CompressionStart: now.Add(-5 * time.Minute), Refs: workflow.Refs{Subject: "Patient/p1"},
	}
	s.change(&ev)
	why := ""
	if s.protocol == nil {
		why = "no approved protocol fits"
	}
	b := bed{e: workflow.New("e1", s.protocol, why)}
	m, next := b.take(workflow.Started{Stamp: workflow.Stamp{At: now, ID: "i"}, Event: ev})
	require.NoError(t, m.err)
	return next
}

// smallProtocol has few millilitres, few steps and short times, so that whole episodes fit
// into the walk. No unit would approve it; each guard of the starters is in it.
func smallProtocol() *workflow.Protocol {
	p := starter(workflow.Diagnostic)
	p.URL, p.InitialMin, p.InitialMax, p.DeviceMaximum = "small", *decimal("2"), *decimal("4"), *decimal("6")
	p.Step, p.StepAfterBleed, p.AddBackMax, p.Ease = *decimal("2"), *decimal("1"), *decimal("2"), *decimal("1")
	p.FirstRelease, p.FirstReleaseHighINR, p.Interval = 20*time.Minute, 40*time.Minute, 10*time.Minute
	p.WatchAtEmpty, p.HoldAfterBleed, p.HoldAfterOoze, p.DrySteps, p.ReviewBleeds = 5*time.Minute, 15*time.Minute, 8*time.Minute, 1, 2
	p.NotHeld, p.EaseRetest, p.EaseTries = 6*time.Minute, 8*time.Minute, 2
	p.SiteCheckFirst, p.SiteCheckCount, p.SiteCheckThen = 10*time.Minute, 2, 20*time.Minute
	p.AfterRemoval, p.AfterThen = []time.Duration{10 * time.Minute}, 20*time.Minute
	p.PatencyArrival, p.PatencyAfterRemoval = 15*time.Minute, 15*time.Minute
	p.WarnBandTime, p.AlertBandTime, p.MaxBandTime = 60*time.Minute, 90*time.Minute, 120*time.Minute
	p.ObserveAfterRemoval, p.EarliestDischarge = 30*time.Minute, 60*time.Minute
	p.Visit, p.TwinWithin, p.DueSoon, p.ReleaseDue = 3*time.Minute, 2*time.Minute, 2*time.Minute, 5*time.Minute
	p.TitrationWindow, p.TitrationAddBack = 15*time.Minute, *decimal("1")
	p.AskPrescriber, p.Teaching = []workflow.Drug{workflow.GlycoproteinInhibitor}, true
	return p
}

// looseProtocol differs from it where a guard depends on the protocol's choice: an ooze is
// no bleed, every bleed is reviewed, no smaller steps after one, no visit is joined, and
// the looks are farther apart than a look is fresh.
func looseProtocol() *workflow.Protocol {
	p := smallProtocol()
	p.URL, p.RestoreOnOoze, p.ReviewBleeds, p.DrySteps, p.Visit = "loose", false, 1, 0, 0
	p.StepAfterBleed, p.AddBackMax, p.EaseTries = p.Step, *decimal("3"), 1
	p.SiteCheckCount, p.SiteCheckThen, p.FirstRelease = 1, 30*time.Minute, 45*time.Minute
	return p
}

// partsProtocol takes thirds of the start volume, and compresses the ulnar artery.
func partsProtocol() *workflow.Protocol {
	p := smallProtocol()
	p.URL, p.StepParts, p.UlnarCompression = "parts", 3, 30*time.Minute
	return p
}
