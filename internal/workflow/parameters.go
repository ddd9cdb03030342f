package workflow

import (
	"fmt"
	"slices"
	"sync"
	"time"
)

// Where the limits come from. CP is common practice without a published source.
const (
	srcVolume    = "CRASOC (Dangoisse 2017): 10 mL; BC Emergency Health Services PR32 and Swedish reference site: at most 18 mL"
	srcTrials    = "ranges of published ward protocols and trials, 20 sources side by side"
	srcINR       = "US teaching-hospital page: 120 min if INR > 2"
	srcRebleed   = "BC Emergency Health Services PR32; US teaching-hospital page; UK ward protocols"
	srcPatency   = "OPEN-Radial 2020: 15, 60, 90, 120 min and 1 h after removal"
	srcEase      = "Eid-Lidt 2022 (NCT03558243): 1-2 mL every 15 min until patent"
	srcSite      = "BC Emergency Health Services PR32: every 15 min; University of Wisconsin policy 2015: every 30 min"
	srcBandTime  = "SCAI 2019 abstract: occlusion OR 5.12 above 4 h; longest published total 270 min (ward B, Oman RCT)"
	srcShort     = "mixed-treatment meta-analysis, Circ Cardiovasc Interv 2023: haematoma OR 3.61 below 90 min"
	srcLeave     = "SPIRIT OF ARTEMIS record: 4-6 h; San Francisco project 2022: 2 h"
	srcTitration = "Swedish reference site: +3 mL; UK trust, Mexico and ward protocols: +1 to +2 mL above the volume at which blood shows"
	srcDrugs     = "no readable source gives a time for these drugs; with abciximab compression took 218 instead of 113 min (PMID 26848534)"
	srcParts     = "Tuttle 2019 (Cardiol Res 10:331-5): a third of the volume, three times"
	srcUlnar     = "OPEN-Radial 2020: ulnar artery first, 60 min; contested, off unless a site turns it on"
	srcLeaflets  = "five North American patient leaflets side by side"
	srcCP        = "common practice"
)

// Parameters gives every parameter of a protocol, in a fixed order.
func Parameters() []Parameter { return slices.Clone(parameters()) }

var parameters = sync.OnceValue(func() []Parameter {
	return slices.Concat(
		volumeParameters(), releaseParameters(), bleedingParameters(), checkParameters(), endParameters(),
		graceParameters(), requiredParameters(),
	)
})

func volumeParameters() []Parameter {
	return []Parameter{
		amount("initial-volume-minimum", "10", "18", srcVolume, func(p *Protocol) *Decimal { return &p.InitialMin }),
		amount("initial-volume-maximum", "10", "18", srcVolume, func(p *Protocol) *Decimal { return &p.InitialMax }),
		amount("device-maximum", "10", "18", srcVolume, func(p *Protocol) *Decimal { return &p.DeviceMaximum }),
	}
}

func releaseParameters() []Parameter {
	inr := amount("high-inr", "1.5", "4", srcINR, func(p *Protocol) *Decimal { return &p.HighINR })
	inr.Unit = Number
	return []Parameter{
		optional(minutes("titration-window", "5", "30", srcCP, func(p *Protocol) *time.Duration { return &p.TitrationWindow })),
		optional(amount("titration-add-back", "1", "3", srcTitration, func(p *Protocol) *Decimal { return &p.TitrationAddBack })),
		list("ask-prescriber", DrugOf, srcDrugs, readDrug, func(p *Protocol) *[]Drug { return &p.AskPrescriber }),
		optional(count("step-parts", "2", "6", srcParts, func(p *Protocol) *int { return &p.StepParts })),
		optional(minutes("ulnar-compression", "30", "60", srcUlnar, func(p *Protocol) *time.Duration { return &p.UlnarCompression })),
		minutes("first-release", "30", "120", srcTrials, func(p *Protocol) *time.Duration { return &p.FirstRelease }),
		minutes("first-release-high-inr", "60", "120", srcINR, func(p *Protocol) *time.Duration { return &p.FirstReleaseHighINR }),
		inr,
		amount("step", "1", "5", srcTrials, func(p *Protocol) *Decimal { return &p.Step }),
		minutes("interval", "10", "30", srcTrials, func(p *Protocol) *time.Duration { return &p.Interval }),
		minutes("release-due", "0", "30", srcCP, func(p *Protocol) *time.Duration { return &p.ReleaseDue }),
		minutes("watch-after-step", "1", "10", srcCP, func(p *Protocol) *time.Duration { return &p.WatchAfterStep }),
		minutes("watch-at-empty", "5", "30", srcCP, func(p *Protocol) *time.Duration { return &p.WatchAtEmpty }),
	}
}

func bleedingParameters() []Parameter {
	return []Parameter{
		amount("add-back-maximum", "1", "3", srcRebleed, func(p *Protocol) *Decimal { return &p.AddBackMax }),
		minutes("hold-after-bleed", "10", "60", srcRebleed, func(p *Protocol) *time.Duration { return &p.HoldAfterBleed }),
		minutes("hold-after-ooze", "5", "60", srcRebleed, func(p *Protocol) *time.Duration { return &p.HoldAfterOoze }),
		boolean("restore-on-ooze", srcCP, func(p *Protocol) *bool { return &p.RestoreOnOoze }),
		amount("step-after-bleed", "0.5", "5", srcRebleed, func(p *Protocol) *Decimal { return &p.StepAfterBleed }),
		count("dry-steps-after-bleed", "0", "20", srcCP, func(p *Protocol) *int { return &p.DrySteps }),
		count("review-bleeds", "1", "6", "STAT2 2021: mean 2.3 re-inflations", func(p *Protocol) *int { return &p.ReviewBleeds }),
		minutes("not-held", "5", "20", srcCP, func(p *Protocol) *time.Duration { return &p.NotHeld }),
		minutes("look-after-add", "1", "10", srcCP, func(p *Protocol) *time.Duration { return &p.LookAfterAdd }),
		amount("ease", "1", "2", srcEase, func(p *Protocol) *Decimal { return &p.Ease }),
		minutes("ease-retest", "10", "30", srcEase, func(p *Protocol) *time.Duration { return &p.EaseRetest }),
		count("ease-tries", "1", "6", srcCP, func(p *Protocol) *int { return &p.EaseTries }),
	}
}

func checkParameters() []Parameter {
	after := Parameter{
		Name: "site-check-after-removal", Unit: Minute, Low: "5", High: "120", Source: srcSite, Many: true,
		set: func(p *Protocol, text string) error {
			d, err := parseMinutes(text)
			if err == nil {
				p.AfterRemoval = append(p.AfterRemoval, d)
			}
			return err
		},
		get: func(p *Protocol) []string {
			var texts []string
			for _, d := range p.AfterRemoval {
				texts = append(texts, minuteText(d))
			}
			return texts
		},
	}
	return []Parameter{
		minutes("site-check-first", "5", "15", srcSite, func(p *Protocol) *time.Duration { return &p.SiteCheckFirst }),
		count("site-check-first-count", "1", "16", srcSite, func(p *Protocol) *int { return &p.SiteCheckCount }),
		minutes("site-check-then", "5", "30", srcSite, func(p *Protocol) *time.Duration { return &p.SiteCheckThen }),
		after,
		minutes("site-check-after-removal-then", "15", "60", srcSite, func(p *Protocol) *time.Duration { return &p.AfterThen }),
		minutes("patency-arrival", "5", "60", srcPatency, func(p *Protocol) *time.Duration { return &p.PatencyArrival }),
		minutes("patency-after-removal", "30", "120", srcPatency, func(p *Protocol) *time.Duration { return &p.PatencyAfterRemoval }),
		minutes("arrival-due", "5", "30", srcCP, func(p *Protocol) *time.Duration { return &p.ArrivalDue }),
		minutes("record-due", "5", "30", srcCP, func(p *Protocol) *time.Duration { return &p.RecordDue }),
	}
}

func endParameters() []Parameter {
	return []Parameter{
		minutes("removal-due", "0", "30", srcCP, func(p *Protocol) *time.Duration { return &p.RemovalDue }),
		minutes("dressing-due", "0", "30", srcCP, func(p *Protocol) *time.Duration { return &p.DressingDue }),
		minutes("warn-band-time", "90", "240", srcBandTime, func(p *Protocol) *time.Duration { return &p.WarnBandTime }),
		minutes("alert-band-time", "120", "240", srcBandTime, func(p *Protocol) *time.Duration { return &p.AlertBandTime }),
		minutes("maximum-band-time", "90", "270", srcBandTime, func(p *Protocol) *time.Duration { return &p.MaxBandTime }),
		minutes("short-band-time", "0", "120", srcShort, func(p *Protocol) *time.Duration { return &p.ShortBandTime }),
		optional(boolean("teaching", srcLeaflets, func(p *Protocol) *bool { return &p.Teaching })),
		list("discharge-advice", Text, srcLeaflets, readAdvice, func(p *Protocol) *[]string { return &p.Advice }),
		minutes("observe-after-removal", "30", "360", srcLeave, func(p *Protocol) *time.Duration { return &p.ObserveAfterRemoval }),
		minutes("earliest-discharge", "120", "1440", srcLeave, func(p *Protocol) *time.Duration { return &p.EarliestDischarge }),
		minutes("due-soon", "0", "15", srcCP, func(p *Protocol) *time.Duration { return &p.DueSoon }),
		minutes("visit", "0", "10", srcCP, func(p *Protocol) *time.Duration { return &p.Visit }),
		minutes("twin-within", "1", "9", srcCP, func(p *Protocol) *time.Duration { return &p.TwinWithin }),
	}
}

// graced are the Tasks whose lateness a protocol sets.
func graced() []TaskCode {
	return []TaskCode{
		ArrivalCheck, RecordBandVolume, SiteCheck, ReleaseStep, RestoreCompression, EaseCompression,
		PatencyCheck, BandRemoval, Dressing, PostRemovalCheck, ControlBleeding, ConfirmBandState, SettleVolume,
	}
}

func graceParameters() []Parameter {
	var list []Parameter
	for _, code := range graced() {
		list = append(list,
			graceParameter("grace-overdue-"+string(code), code, false, func(g *Grace) *time.Duration { return &g.Overdue }),
			graceParameter("grace-nurse-"+string(code), code, true, func(g *Grace) *time.Duration { return &g.Nurse }),
			graceParameter("grace-clinician-"+string(code), code, true, func(g *Grace) *time.Duration { return &g.Clinician }))
	}
	return list
}

func graceParameter(name string, code TaskCode, optional bool, field func(*Grace) *time.Duration) Parameter {
	return Parameter{
		Name: name, Unit: Minute, Low: "0", High: "120", Source: srcCP, Optional: optional,
		set: func(p *Protocol, text string) error {
			d, err := parseMinutes(text)
			if err != nil {
				return err
			}
			if p.Grace == nil {
				p.Grace = map[TaskCode]Grace{}
			}
			g := p.Grace[code]
			*field(&g) = d
			p.Grace[code] = g
			return nil
		},
		get: func(p *Protocol) []string {
			g, ok := p.Grace[code]
			if !ok {
				return nil
			}
			return []string{minuteText(*field(&g))}
		},
	}
}

func requiredParameters() []Parameter {
	var list []Parameter
	for _, code := range []TaskCode{ArrivalCheck, SiteCheck, PostRemovalCheck, DischargeCheck} {
		list = append(list, Parameter{
			Name: "required-" + string(code), Unit: FindingOf, Source: srcCP, Many: true,
			set: func(p *Protocol, text string) error {
				f := FindingCode(text)
				if !f.checkable() {
					return fmt.Errorf("%q is not a finding that a check can ask for", text)
				}
				if p.Required == nil {
					p.Required = map[TaskCode][]FindingCode{}
				}
				p.Required[code] = append(p.Required[code], f)
				return nil
			},
			get: func(p *Protocol) []string {
				var texts []string
				for _, f := range p.Required[code] {
					texts = append(texts, string(f))
				}
				return texts
			},
		})
	}
	return list
}

func readDrug(text string) (Drug, error) {
	switch d := Drug(text); d {
	case Heparin, GlycoproteinInhibitor, OtherAnticoagulant:
		return d, nil
	}
	return "", fmt.Errorf("%q is not a kind of anticoagulant", text)
}

func readAdvice(text string) (string, error) {
	if text == "" || len(text) > 500 {
		return "", fmt.Errorf("advice is a sentence of 1 to 500 bytes")
	}
	return text, nil
}

func (c FindingCode) checkable() bool {
	switch c {
	case Bleeding, Patency, Pulse, AirVolume, Haematoma, Hand, Condition, Pain, Pressure:
		return true
	case AirRemoved, AirAdded, CompressionStart, Band, Anticoagulant, OtherFinding:
		return false
	}
	return false
}
