package fhir

import (
	"time"

	"fhirsvc/internal/workflow"
)

// endedTimeline is the invented afternoon of the other samples to its end, and more than
// one afternoon has: a volume that was in doubt, a hold, a pause, a move, a drug.
func endedTimeline() workflow.Timeline {
	at := func(clock string) time.Time { return clockAt("2026-11-25T" + clock + ":00Z") }
	found := func(clock string, code workflow.FindingCode, answer workflow.Answer) workflow.Finding {
		return workflow.Finding{ID: "f" + clock, Code: code, Found: at(clock), Recorded: at(clock), Answer: answer}
	}
	amount := func(clock string, code workflow.FindingCode, mL string) workflow.Finding {
		f := found(clock, code, "")
		f.Amount = ml(mL)
		return f
	}
	late := found("12:58", workflow.Bleeding, workflow.Haemostasis)
	late.Recorded = at("14:00")
	test := found("13:00", workflow.Patency, workflow.Patent)
	test.Method = workflow.WaveformUlnarCompressed
	shut := found("15:20", workflow.Patency, workflow.Occluded)
	shut.Method = workflow.Doppler
	missed := found("14:40", workflow.Hand, "")
	missed.Missing = workflow.NotPerformed
	hand := found("14:50", workflow.Hand, workflow.Abnormal)
	hand.Signs = []workflow.HandSign{workflow.HandTingling}
	swollen := amount("14:51", workflow.Haematoma, "2.5")
	swollen.Answer = workflow.Present
	drug := found("13:50", workflow.Anticoagulant, "")
	drug.Drug = workflow.Heparin
	level := func(clock string, state workflow.BookState, mL string) workflow.AirLevel {
		return workflow.AirLevel{At: at(clock), State: state, Volume: workflow.MustDecimal(mL)}
	}
	plan := bleedingPlan()
	plan.Status, plan.End = workflow.PlanCompleted, at("17:00")
	plan.Summary.BandOn, plan.Summary.Next = false, nil
	step := func(n int, from, done, planned, really string) workflow.Act {
		return workflow.Act{
			Key: key(workflow.ReleaseStep, "", n), Status: workflow.TaskCompleted, From: at(from), Due: at(from).Add(10 * time.Minute),
			Planned: ml(planned), Done: at(done), Amount: ml(really), Finding: "f" + done,
		}
	}
	skipped := workflow.Act{Key: key(workflow.ReleaseStep, "", 4), Status: workflow.TaskCancelled, From: at("14:45"), Due: at("14:55"), Planned: ml("3")}
	return workflow.Timeline{
		Plan: plan, Began: at("12:00"), Told: true, Maximum: workflow.MustDecimal("18"),
		Levels: []workflow.AirLevel{
			level("12:00", workflow.BookKnown, "12.0"), level("13:05", workflow.BookKnown, "9"), level("13:30", workflow.BookKnown, "6"),
			level("13:34", workflow.BookKnown, "9"), level("13:45", workflow.BookUncertain, "9"), level("13:55", workflow.BookKnown, "8.5"),
			level("15:00", workflow.BookUnknown, "0"), level("15:10", workflow.BookKnown, "0"),
			{At: at("15:30"), Off: true},
		},
		Adjusted: []workflow.Entry{{Kind: workflow.EntryCounted, At: at("13:55"), Delta: workflow.MustDecimal("-0.5")}},
		Acts: []workflow.Act{
			step(1, "13:00", "13:05", "3", "3"), step(2, "13:20", "13:30", "3", "3"), skipped,
			{Key: key(workflow.BandRemoval, "", 1), Status: workflow.TaskCompleted, From: at("15:25"), Due: at("15:25"), Done: at("15:30"), Finding: "f15:30"},
			{Key: key(workflow.Dressing, "", 1), Status: workflow.TaskCompleted, From: at("15:30"), Due: at("15:40"), Done: at("15:33")},
			{Key: key(workflow.DischargeCheck, "", 1), Status: workflow.TaskCompleted, From: at("17:00"), Done: at("17:00")},
		},
		Spans: []workflow.Span{
			{Kind: workflow.SpanBleeding, From: at("13:32"), To: at("13:38")},
			{Kind: workflow.SpanAfter, From: at("13:38"), To: at("14:08")},
			{Kind: workflow.SpanHold, From: at("14:10"), To: at("14:30")},
			{Kind: workflow.SpanPause, From: at("14:52"), To: at("14:59")},
			{Kind: workflow.SpanNotPatent, From: at("15:20")},
		},
		Delays: []workflow.Delay{{Key: key(workflow.SiteCheck, "", 3), Due: at("12:30"), Done: at("12:58")}},
		Findings: []workflow.Finding{
			amount("12:10", workflow.AirVolume, "12.0"), late, test, amount("13:05", workflow.AirRemoved, "3"),
			amount("13:30", workflow.AirRemoved, "3"), found("13:32", workflow.Bleeding, workflow.Active), amount("13:34", workflow.AirAdded, "3"),
			found("13:38", workflow.Bleeding, workflow.Haemostasis), drug, amount("13:55", workflow.AirVolume, "8.5"),
			missed, hand, swollen, found("15:00", workflow.Band, workflow.BandReplaced), shut, found("15:30", workflow.Band, workflow.BandOff),
			found("16:00", workflow.Bleeding, workflow.Oozing), found("16:10", workflow.Bleeding, workflow.Haemostasis),
		},
		Orders: []workflow.Order{
			{Code: workflow.OrderHold, Given: at("14:10")},
			{Code: workflow.OrderResume, Given: at("14:30")},
			{Code: workflow.OrderPauseRelease, Given: at("14:52"), Until: at("15:10")},
		},
		Moves: []workflow.Relocated{{Found: at("16:30")}},
	}
}
