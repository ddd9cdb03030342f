package workflow_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/workflow"
)

// special is a starter under another version that is meant for some patients only.
func special(version string, meant func(a *workflow.Applicability)) *workflow.Protocol {
	p := starter(workflow.Diagnostic)
	p.Version = version
	meant(&p.Applies)
	return p
}

// TestSelectByPatient: access, drugs and age narrow a protocol down. Two that fit, none,
// or one that asks for what was not told: a person decides.
func TestSelectByPatient(t *testing.T) {
	yes, no := true, false
	seventy, eighty, fifty := 70, 80, 50
	distal := special("distal", func(a *workflow.Applicability) { a.Access = &workflow.Access{Distal: &yes} })
	proximal := special("proximal", func(a *workflow.Applicability) { a.Access = &workflow.Access{Distal: &no} })
	left := special("left", func(a *workflow.Applicability) { a.Access = &workflow.Access{Side: workflow.Left} })
	gpi := special("gpi", func(a *workflow.Applicability) { a.Drugs = []workflow.Drug{workflow.GlycoproteinInhibitor} })
	old := special("old", func(a *workflow.Applicability) { a.MinAge = &seventy })
	young := special("young", func(a *workflow.Applicability) { a.MaxAge = &fifty })
	ev := func(change func(ev *workflow.Event)) workflow.Event {
		e := workflow.Event{Kind: workflow.Diagnostic, Side: workflow.Right}
		change(&e)
		return e
	}
	list := func(p ...*workflow.Protocol) []*workflow.Protocol { return p }
	for name, c := range map[string]struct {
		list []*workflow.Protocol
		ev   workflow.Event
		want string // version, or a part of the reason
	}{
		"distal access":            {list(distal, proximal), ev(func(e *workflow.Event) { e.Distal = true }), "distal"},
		"the usual access":         {list(distal, proximal), ev(func(*workflow.Event) {}), "proximal"},
		"another wrist":            {list(left), ev(func(*workflow.Event) {}), "no approved protocol fits"},
		"this wrist":               {list(left), ev(func(e *workflow.Event) { e.Side = workflow.Left }), "left"},
		"a drug given":             {list(gpi), ev(func(e *workflow.Event) { e.Drugs = []workflow.Drug{workflow.GlycoproteinInhibitor} }), "gpi"},
		"that drug not given":      {list(gpi), ev(func(e *workflow.Event) { e.Drugs = []workflow.Drug{workflow.Heparin} }), "no approved protocol fits"},
		"of age":                   {list(old, young), ev(func(e *workflow.Event) { e.Age = &seventy }), "old"},
		"young":                    {list(old, young), ev(func(e *workflow.Event) { e.Age = &fifty }), "young"},
		"age not told":             {list(old), ev(func(*workflow.Event) {}), "is for an age, which the event does not tell"},
		"age of no matter there":   {list(old), ev(func(e *workflow.Event) { e.Kind = workflow.Intervention }), "no approved protocol fits"},
		"two fit, age and access":  {list(old, proximal), ev(func(e *workflow.Event) { e.Age = &eighty }), "2 protocols fit"},
		"old and young, none fits": {list(old, young), ev(func(e *workflow.Event) { sixty := 60; e.Age = &sixty }), "no approved protocol fits"},
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

// TestCheckOfOptionalParameters: what may be left out is checked when it is there.
func TestCheckOfOptionalParameters(t *testing.T) {
	seventy, fifty := 70, 50
	for name, c := range map[string]struct {
		spoil func(p *workflow.Protocol)
		want  string
	}{
		"titration without an amount":   {func(p *workflow.Protocol) { p.TitrationAddBack = workflow.Decimal{} }, "titration-add-back"},
		"too late to titrate":           {func(p *workflow.Protocol) { p.TitrationWindow = 40 * 60e9 }, "titration-window is 40"},
		"parts too small":               {func(p *workflow.Protocol) { p.StepParts = 7 }, "step-parts is 7"},
		"no age":                        {func(p *workflow.Protocol) { p.Applies.MinAge, p.Applies.MaxAge = &seventy, &fifty }, "for no age"},
		"ulnar artery pressed too long": {func(p *workflow.Protocol) { p.UlnarCompression = 90 * 60e9 }, "ulnar-compression is 90"},
	} {
		t.Run(name, func(t *testing.T) {
			p := starter(workflow.Diagnostic)
			c.spoil(p)
			require.Contains(t, p.Check()[0], c.want)
		})
	}
	p := starter(workflow.Diagnostic)
	p.TitrationWindow, p.TitrationAddBack, p.StepParts, p.UlnarCompression, p.Teaching, p.Advice = 0, workflow.Decimal{}, 0, 0, false, nil
	require.Empty(t, p.Check(), "all of it may be left out")
}

// TestPart: a third of 13 is 4.5, since a syringe shows halves; parts are rounded up, so
// that the last step is never the largest.
func TestPart(t *testing.T) {
	half := workflow.MustDecimal("0.5")
	for _, c := range []struct {
		volume string
		parts  int64
		want   string
	}{
		{"15", 3, "5"}, {"13", 3, "4.5"}, {"16", 3, "5.5"}, {"12.1", 2, "6.5"}, {"12", 2, "6"}, {"0", 3, "0"}, {"0.3", 6, "0.5"},
	} {
		require.Equal(t, c.want, workflow.MustDecimal(c.volume).Part(c.parts, half).String(), "%s in %d", c.volume, c.parts)
	}
	require.Equal(t, "4.5", workflow.MustDecimal("1.5").Times(3).String())
}
