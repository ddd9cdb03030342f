package workflow_test

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/workflow"
)

func starter(kind workflow.ProcedureKind) *workflow.Protocol {
	for _, p := range protocols {
		if p.Applies.Kind == kind {
			c := *p
			return &c
		}
	}
	panic("no starter for " + kind)
}

func TestStartersAreSound(t *testing.T) {
	require.Len(t, protocols, 2)
	for _, p := range protocols {
		require.Empty(t, p.Check(), p.Canonical())
		require.True(t, p.Draft, "%s: a starter stays a draft until a site approves it", p.Canonical())
	}
	require.LessOrEqual(t, starter(workflow.Diagnostic).FirstRelease, starter(workflow.Intervention).FirstRelease)
}

// TestLastRelease: first + (ceil(V/step) - 1) x interval (arithmetic). 16/2/60/30 is
// arm 1 and 16/4/120/15 arm 2 of the randomised trial NCT03380065 (J Saudi Heart Assoc
// 32(1)), observed as 274 +/- 54 and 201 +/- 43 min with delays and bleeds.
func TestLastRelease(t *testing.T) {
	for _, c := range []struct {
		volume, step    string
		first, interval int
		want            int
	}{
		{"15", "3", 60, 15, 120},
		{"16", "2", 60, 30, 270},
		{"16", "4", 120, 15, 165},
		{"15", "2", 60, 15, 165},
		{"15", "3", 120, 15, 180},
	} {
		p := workflow.Protocol{
			Step: workflow.MustDecimal(c.step), FirstRelease: time.Duration(c.first) * time.Minute,
			Interval: time.Duration(c.interval) * time.Minute,
		}
		got := p.LastRelease(workflow.MustDecimal(c.volume), false)
		require.Equal(t, time.Duration(c.want)*time.Minute, got, "%+v", c)
	}
}

// TestLastReleaseWithBleed: 15 mL, first at 120, 3 mL every 15, bleed at the second
// step found after 2 min, 3 mL back, hold 30. Steps of 1 mL to the end make a band of
// 332 min; half steps for two dry steps and then the normal one, 227 (arithmetic).
func TestLastReleaseWithBleed(t *testing.T) {
	p := starter(workflow.Intervention)
	require.Equal(t, 227*time.Minute, p.LastRelease(workflow.MustDecimal("15"), true))
	p.StepAfterBleed, p.DrySteps = workflow.MustDecimal("1"), 100
	require.Equal(t, 332*time.Minute, p.LastRelease(workflow.MustDecimal("15"), true))
}

func TestCheckNamesWhatIsOutsideItsLimits(t *testing.T) {
	for _, a := range workflow.Parameters() {
		if a.High == "" || a.Many {
			continue
		}
		t.Run(a.Name, func(t *testing.T) {
			p := starter(workflow.Diagnostic)
			beyond := workflow.MustDecimal(a.High).Add(workflow.MustDecimal("1"))
			p.Grace = map[workflow.TaskCode]workflow.Grace{}
			require.NoError(t, a.Set(p, beyond.String()))
			require.Contains(t, strings.Join(p.Check(), "\n"), a.Name+" is "+beyond.String())
		})
	}
}

func TestCheckComparesValues(t *testing.T) {
	for name, c := range map[string]struct {
		spoil func(p *workflow.Protocol)
		want  string
	}{
		"start volumes crossed": {func(p *workflow.Protocol) {
			p.InitialMin = workflow.MustDecimal("17")
			p.InitialMax = workflow.MustDecimal("12")
		}, "initial-volume-maximum"},
		"start above the device":    {func(p *workflow.Protocol) { p.DeviceMaximum = workflow.MustDecimal("13") }, "device-maximum"},
		"bigger step after a bleed": {func(p *workflow.Protocol) { p.StepAfterBleed = workflow.MustDecimal("4") }, "step-after-bleed"},
		"INR earlier than without": {func(p *workflow.Protocol) {
			p.FirstRelease = 110 * time.Minute
			p.FirstReleaseHighINR = 100 * time.Minute
		}, "first-release-high-inr"},
		"intervention too early": {func(p *workflow.Protocol) {
			p.Applies.Kind, p.FirstRelease = workflow.Intervention, 45*time.Minute
		}, "after an intervention"},
		"watch as long as interval": {func(p *workflow.Protocol) { p.Interval, p.WatchAfterStep = 10*time.Minute, 10*time.Minute }, "watch-after-step"},
		"alert before warning":      {func(p *workflow.Protocol) { p.WarnBandTime, p.AlertBandTime = 200*time.Minute, 180*time.Minute }, "alert-band-time"},
		"no looks after removal":    {func(p *workflow.Protocol) { p.AfterRemoval = nil }, "site-check-after-removal"},
		"no patency at discharge": {func(p *workflow.Protocol) {
			p.Required = map[workflow.TaskCode][]workflow.FindingCode{workflow.DischargeCheck: {workflow.Bleeding}}
		}, "radial-patency-test"},
		"no grace":          {func(p *workflow.Protocol) { p.Grace = nil }, "grace-overdue-site-check"},
		"no kind":           {func(p *workflow.Protocol) { p.Applies.Kind = "" }, "which kind of procedure"},
		"no version":        {func(p *workflow.Protocol) { p.Version = "" }, "version"},
		"too slow":          {func(p *workflow.Protocol) { p.Step = workflow.MustDecimal("1"); p.StepAfterBleed = p.Step }, "without a bleed"},
		"too slow if bleed": {func(p *workflow.Protocol) { p.MaxBandTime, p.AlertBandTime = 180*time.Minute, 180*time.Minute }, "with one bleed"},
	} {
		t.Run(name, func(t *testing.T) {
			p := starter(workflow.Diagnostic)
			c.spoil(p)
			require.Contains(t, strings.Join(p.Check(), "\n"), c.want)
		})
	}
}

func TestSelect(t *testing.T) {
	own := starter(workflow.Diagnostic)
	own.Applies.Unit, own.Version = "ward-3", "own"
	ev := workflow.Event{Kind: workflow.Diagnostic, Side: workflow.Left, Refs: workflow.Refs{Unit: "ward-3"}}
	for name, c := range map[string]struct {
		list []*workflow.Protocol
		ev   workflow.Event
		want string // version, or a part of the reason
	}{
		"the one that fits":            {protocols, ev, starter(workflow.Diagnostic).Version},
		"the unit's own first":         {append([]*workflow.Protocol{own}, protocols...), ev, "own"},
		"two fit":                      {append([]*workflow.Protocol{starter(workflow.Diagnostic)}, protocols...), ev, "2 protocols fit"},
		"none fits":                    {nil, ev, "no approved protocol fits"},
		"another unit's does not":      {[]*workflow.Protocol{own}, workflow.Event{Kind: ev.Kind, Side: ev.Side}, "no approved protocol fits"},
		"kind of procedure not told":   {protocols, workflow.Event{Side: workflow.Left}, "does not say whether"},
		"wrist not told":               {protocols, workflow.Event{Kind: workflow.Diagnostic}, "which wrist"},
		"intervention is another kind": {protocols[:1], workflow.Event{Kind: workflow.Intervention, Side: ev.Side}, "no approved protocol fits"},
	} {
		t.Run(name, func(t *testing.T) {
			p, why := workflow.Select(c.list, c.ev)
			if p != nil {
				require.Equal(t, c.want, p.Version)
				require.Empty(t, why)
				return
			}
			require.Contains(t, why, c.want)
		})
	}
}
