package fhir

import (
	"strings"
	"time"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/workflow"
)

// One invented afternoon: a diagnostic catheterization through the right wrist, a bleed
// at the third release step, seen from 15:20 local time.

func clockAt(text string) time.Time {
	t, err := time.Parse(time.RFC3339, text)
	if err != nil {
		panic(err)
	}
	return t
}

func ml(text string) *workflow.Decimal {
	d := workflow.MustDecimal(text)
	return &d
}

func key(code workflow.TaskCode, purpose string, n int) workflow.TaskKey {
	return workflow.TaskKey{Code: code, Purpose: purpose, Ordinal: n}
}

func sampleContext() Context {
	return Context{
		Episode: "5a0f1c7e-0000-5000-8000-000000000001",
		Refs: workflow.Refs{
			Unit:      "https://hospital.example/units|day-ward",
			Subject:   "Patient/p1",
			Encounter: "Encounter/e1",
			Procedure: "Procedure/proc1",
			Request:   "ServiceRequest/coronary-angiography",
		},
		Protocol: &workflow.Protocol{
			URL: "https://hospital.example/fhir/PlanDefinition/release", Version: "2", Title: "Release after a diagnostic procedure",
			Endorser: "Cardiology board", Approved: "2026-10-01",
		},
		Software: "0.1.0",
		Plan:     "plan1",
		TaskID:   func(k workflow.TaskKey) string { return strings.ReplaceAll(k.String(), "/", "-") },
		Dose:     func(id string) bool { return id == "heparin" },
		Names:    map[string]string{"Practitioner/n1": "Nurse Able", "https://hospital.example/staff|77": "Nurse Baker"},
		Zone:     time.FixedZone("", 3600),
	}
}

func sampleBook() *workflow.Book {
	return &workflow.Book{
		State: workflow.BookKnown, Volume: workflow.MustDecimal("9.0"),
		Confirmed: clockAt("2026-11-25T14:05:00Z"), By: "Practitioner/n1",
	}
}

func withheldStep() workflow.Task {
	return workflow.Task{
		Key: key(workflow.ReleaseStep, "", 3), Status: workflow.TaskOnHold, Priority: workflow.Routine,
		Description: "Take out 3 mL of air, then look at the site for 2 min.",
		NotBefore:   clockAt("2026-11-25T14:38:00Z"), Due: clockAt("2026-11-25T14:48:00Z"),
		Required: []workflow.FindingCode{workflow.AirRemoved, workflow.Bleeding},
		Planned:  ml("1.50"), Book: sampleBook(),
		Withheld: []workflow.Withheld{
			{Reason: "the hold after bleeding is not over", Lifter: "clinician", Again: clockAt("2026-11-25T14:38:00Z")},
			{Reason: "no look at the site since air was added", Lifter: "nurse"},
		},
		Authored: clockAt("2026-11-25T12:00:01.25Z"), Changed: clockAt("2026-11-25T14:20:00Z"),
	}
}

func lateCheck() workflow.Task {
	return workflow.Task{
		Key: key(workflow.SiteCheck, "", 7), Status: workflow.TaskInProgress, Lateness: workflow.Escalated, Priority: workflow.Urgent,
		Description: "Look at the site & the hand: any blood <under> the band?",
		NotBefore:   clockAt("2026-11-25T14:00:00Z"), Due: clockAt("2026-11-25T14:05:00Z"),
		Required: []workflow.FindingCode{workflow.Bleeding, workflow.Hand, workflow.Pulse},
		Outputs:  []workflow.Output{{Code: workflow.Hand, Finding: "hand-not-assessed", Missing: workflow.CouldNotAssess}},
		Owner:    "https://hospital.example/staff|77",
		Called:   []workflow.Call{{Level: workflow.NurseInCharge, At: clockAt("2026-11-25T14:25:00Z")}},
		Start:    clockAt("2026-11-25T14:26:00Z"),
		Notes:    []workflow.Note{{Text: "Two missed since 13:30.", At: clockAt("2026-11-25T14:25:00Z")}},
		Authored: clockAt("2026-11-25T13:50:00Z"), Changed: clockAt("2026-11-25T14:26:00Z"),
	}
}

func doneStep() workflow.Task {
	return workflow.Task{
		Key: key(workflow.ReleaseStep, "", 2), Status: workflow.TaskCompleted, Priority: workflow.Routine,
		Description: "Take out 3 mL of air, then look at the site for 2 min.",
		NotBefore:   clockAt("2026-11-25T13:15:00Z"), Due: clockAt("2026-11-25T13:25:00Z"),
		Required: []workflow.FindingCode{workflow.AirRemoved, workflow.Bleeding}, Planned: ml("3"),
		Outputs: []workflow.Output{{Code: workflow.AirRemoved, Finding: "step-2-air"}, {Code: workflow.Bleeding, Finding: "step-2-site"}},
		Owner:   "Practitioner/n1", Start: clockAt("2026-11-25T13:16:00Z"), End: clockAt("2026-11-25T13:19:30Z"),
		Notes: []workflow.Note{
			{Text: "A little ooze at first.", At: clockAt("2026-11-25T13:19:00Z"), By: "Practitioner/n1"},
			{Text: "Seen from the desk.", At: clockAt("2026-11-25T13:20:00Z"), By: "Desk 4"},
		},
		Authored: clockAt("2026-11-25T12:00:01.25Z"), Changed: clockAt("2026-11-25T13:19:30Z"),
	}
}

func doubtfulVolume() workflow.Task {
	return workflow.Task{
		Key: key(workflow.SettleVolume, "", 1), Status: workflow.TaskReady, Lateness: workflow.DueSoon, Priority: workflow.Urgent,
		Description: "Settle how much air is in the band.", Due: clockAt("2026-11-25T14:40:00Z"),
		Required: []workflow.FindingCode{workflow.AirVolume},
		Book: &workflow.Book{
			State: workflow.BookUncertain, Volume: workflow.MustDecimal("6"),
			Why: []string{"the syringe drew nothing at book 6 mL"},
		},
		Authored: clockAt("2026-11-25T14:25:00Z"), Changed: clockAt("2026-11-25T14:25:00Z"),
	}
}

func rejectedRemoval() workflow.Task {
	return workflow.Task{
		Key: key(workflow.BandRemoval, "", 1), Status: workflow.TaskRejected, StatusReason: "the patient asks to wait for the family",
		Priority: workflow.Routine, Description: "Take the empty band off.",
		NotBefore: clockAt("2026-11-25T15:00:00Z"), End: clockAt("2026-11-25T15:01:00Z"),
		Authored: clockAt("2026-11-25T12:00:01.25Z"), Changed: clockAt("2026-11-25T15:01:00Z"),
	}
}

func review() workflow.Task {
	return workflow.Task{
		Key: key(workflow.ClinicianReview, "third-bleed", 1), Status: workflow.TaskReady, Lateness: workflow.Overdue, Priority: workflow.Stat,
		Description: "The site bled a third time: how to go on?", Due: clockAt("2026-11-25T14:30:00Z"),
		Authored: clockAt("2026-11-25T14:25:00Z"), Changed: clockAt("2026-11-25T14:30:00Z"),
	}
}

func titration() workflow.Task {
	return workflow.Task{
		Key: key(workflow.Titration, "", 1), Status: workflow.TaskReady, Priority: workflow.Urgent,
		Description: "Let air out bit by bit until blood shows, then put 2 mL back.", Due: clockAt("2026-11-25T12:15:00Z"),
		Required: []workflow.FindingCode{workflow.AirVolume, workflow.Bleeding}, Book: sampleBook(),
		Authored: clockAt("2026-11-25T12:00:01.25Z"), Changed: clockAt("2026-11-25T12:00:01.25Z"),
	}
}

func ulnarCompression() workflow.Task {
	return workflow.Task{
		Key: key(workflow.UlnarCompression, "", 1), Status: workflow.TaskCompleted, Priority: workflow.Routine,
		Description: "Press on the ulnar artery for 60 min, then test again.", NotBefore: clockAt("2026-11-25T13:00:00Z"),
		Due:      clockAt("2026-11-25T13:10:00Z"),
		Required: []workflow.FindingCode{workflow.Patency, workflow.Pressure, workflow.Pain},
		Outputs:  []workflow.Output{{Code: workflow.Patency, Finding: "o3"}, {Code: workflow.Pressure, Finding: "o4"}, {Code: workflow.Pain, Finding: "o5"}},
		Start:    clockAt("2026-11-25T13:02:00Z"), End: clockAt("2026-11-25T14:02:00Z"),
		Authored: clockAt("2026-11-25T12:59:00Z"), Changed: clockAt("2026-11-25T14:02:00Z"),
	}
}

func teaching() workflow.Task {
	return workflow.Task{
		Key: key(workflow.PatientTeaching, "", 1), Status: workflow.TaskDraft, Priority: workflow.Routine,
		Description: "Teach the patient what to do when the wrist bleeds.",
		Authored:    clockAt("2026-11-25T12:00:01.25Z"), Changed: clockAt("2026-11-25T12:00:01.25Z"),
	}
}

func openIssue() workflow.Issue {
	return workflow.Issue{
		Code: workflow.IssueVolume, Ordinal: 1, Text: "the syringe drew nothing at book 6 mL",
		Findings: []string{"nothing-drawn", "heparin"}, Since: clockAt("2026-11-25T14:10:00Z"),
	}
}

func settledIssue() workflow.Issue {
	return workflow.Issue{
		Code: workflow.IssueOpposed, Ordinal: 2, Text: "The site bleeds & the artery is not open.",
		Findings: []string{"o7", "o8"}, Since: clockAt("2026-11-25T13:32:00Z"),
		Settled: clockAt("2026-11-25T14:12:00Z"), How: "a later finding",
	}
}

func openCall() workflow.Notice {
	return workflow.Notice{
		Task: key(workflow.SiteCheck, "", 7), Ordinal: 1, Level: workflow.NurseInCharge, Priority: workflow.Urgent,
		Text: "Look at the site & the hand: any blood <under> the band?", At: clockAt("2026-11-25T14:15:00Z"),
	}
}

func answeredCall() workflow.Notice {
	return workflow.Notice{
		Task: key(workflow.ClinicianReview, "third-bleed", 1), Ordinal: 2, Level: workflow.Clinician, Priority: workflow.Stat,
		Text: "The site bled a third time: how to go on?", At: clockAt("2026-11-25T14:10:00Z"),
		Answered: clockAt("2026-11-25T14:19:00Z"), By: "Practitioner/n1",
	}
}

func bleedingPlan() workflow.Plan {
	next := key(workflow.ReleaseStep, "", 3)
	return workflow.Plan{
		Status: workflow.PlanActive, Start: clockAt("2026-11-25T12:00:00Z"),
		Off: clockAt("2026-11-25T15:53:00Z"), End: clockAt("2026-11-25T16:53:00Z"),
		Tasks: []workflow.TaskKey{key(workflow.SiteCheck, "", 7), key(workflow.ReleaseStep, "", 2), next},
		Summary: workflow.Summary{
			Kind: workflow.Diagnostic, Side: workflow.Right, Book: *sampleBook(), BandOn: true,
			Bleeds: 1, LastBleed: clockAt("2026-11-25T13:32:00Z"),
			LastLook: clockAt("2026-11-25T14:08:00Z"), LastAnswer: workflow.Haemostasis,
			LastPatency: workflow.Patent, PatencyAt: clockAt("2026-11-25T13:05:00Z"),
			Next: &next, NextAt: clockAt("2026-11-25T14:38:00Z"),
			Withheld:     []workflow.Withheld{{Reason: "the hold after bleeding is not over", Lifter: "clinician", Again: clockAt("2026-11-25T14:38:00Z")}},
			OffIfBleed:   clockAt("2026-11-25T16:50:00Z"),
			BleedingRisk: []string{"INR 2.4"}, OcclusionRisk: []string{"sheath of 6 French"},
			Figures: workflow.Figures{
				FirstRelease: 63 * time.Minute, NotDone: 1,
				Care:     workflow.Delays{Of: 9, Late: 2, Worst: 33 * time.Minute},
				Charting: workflow.Delays{Of: 21, Late: 4, Worst: 51 * time.Minute},
			},
		},
	}
}

func emptyPlan() workflow.Plan {
	return workflow.Plan{
		Status: workflow.PlanRevoked, StatusReason: "the procedure was entered in error",
		Start: clockAt("2026-11-25T12:00:00Z"),
		Summary: workflow.Summary{
			Side: workflow.Left, Distal: true, Book: workflow.Book{State: workflow.BookUnknown},
		},
	}
}

// samples gives every rendered kind, by the name of its file in testdata/fhir.
func samples() map[string]func() ([]byte, error) {
	c := sampleContext()
	draft := c
	draft.Protocol = &workflow.Protocol{URL: c.Protocol.URL, Version: "3", Draft: true}
	draft.Refs.Encounter, draft.Refs.EncounterIdentifier, draft.Refs.Request = "", "https://hospital.example/visits|V-9", ""
	none := draft
	none.Protocol, none.NoProtocol, none.Refs.EncounterIdentifier = nil, "no approved protocol fits: intervention procedure", ""
	at := clockAt("2026-11-25T14:20:00.123456Z")
	task := func(t workflow.Task, c Context) func() ([]byte, error) {
		return func() ([]byte, error) { return RenderTask(t, c, Version{ID: c.TaskID(t.Key), Number: 4, At: at}) }
	}
	plan := func(p workflow.Plan, c Context) func() ([]byte, error) {
		return func() ([]byte, error) { return RenderPlan(p, c, Version{ID: "plan1", Number: 2, At: at}) }
	}
	warning := func(f workflow.Flag) func() ([]byte, error) {
		return func() ([]byte, error) { return RenderFlag(f, c, Version{ID: "flag1", Number: 1, At: at}) }
	}
	issue := func(i workflow.Issue) func() ([]byte, error) {
		return func() ([]byte, error) { return RenderIssue(i, c, Version{ID: "issue1", Number: 1, At: at}) }
	}
	call := func(x workflow.Notice) func() ([]byte, error) {
		return func() ([]byte, error) { return RenderNotice(x, c, Version{ID: "call1", Number: 1, At: at}) }
	}
	origin := func(o Origin, c Context) func() ([]byte, error) {
		return func() ([]byte, error) { return RenderProvenance(o, c, Version{ID: "prov1", Number: 1, At: at}) }
	}
	answer := func(a Answer) func() ([]byte, error) {
		return func() ([]byte, error) {
			body, err := plan(bleedingPlan(), c)()
			if err == nil && len(a.Plans) > 0 {
				a.Plans = []Focus{{Reference: a.Plans[0].Reference, Body: body}}
			}
			if err != nil {
				return nil, err
			}
			return RenderAnswer(a)
		}
	}
	audit := func(a Access) func() ([]byte, error) {
		return func() ([]byte, error) { return RenderAudit(a, Version{ID: "audit1", Number: 1, At: at}) }
	}
	told := Answer{
		Request: "m1", Event: CodeProcedureCompleted.Coding(), Destination: "https://ehr.example/endpoint",
		Endpoint: "https://fhirsvc.example/fhir", Software: "0.1.0", At: at, Plans: []Focus{{Reference: "CarePlan/plan1"}},
	}
	warned, refused := told, told
	warned.Issues = []outcome.Issue{outcome.Warnf(outcome.CodeValue, "Bundle.entry[4].resource", "the entry was left out")}
	refused.Plans, refused.Issues = nil, []outcome.Issue{outcome.Errorf(outcome.CodeRequired, "Bundle.entry[1].resource.subject", "a subject is needed")}
	return map[string]func() ([]byte, error){
		"Task-release-step-withheld":  task(withheldStep(), c),
		"Task-release-step-done":      task(doneStep(), c),
		"Task-site-check-escalated":   task(lateCheck(), draft),
		"Task-settle-volume":          task(doubtfulVolume(), c),
		"Task-band-removal-rejected":  task(rejectedRemoval(), none),
		"Task-clinician-review":       task(review(), c),
		"Task-titration":              task(titration(), c),
		"Task-ulnar-compression":      task(ulnarCompression(), c),
		"Task-patient-teaching":       task(teaching(), none),
		"DetectedIssue-volume-open":   issue(openIssue()),
		"DetectedIssue-opposed-final": issue(settledIssue()),
		"Communication-unanswered":    call(openCall()),
		"DocumentReference-timeline": func() ([]byte, error) {
			return RenderTimeline(endedTimeline(), c, Version{ID: "timeline1", Number: 1, At: clockAt("2026-11-25T17:00:00Z")})
		},
		"Communication-answered":       call(answeredCall()),
		"CarePlan-active":              plan(bleedingPlan(), c),
		"CarePlan-draft-protocol":      plan(bleedingPlan(), draft),
		"CarePlan-revoked-no-protocol": plan(emptyPlan(), none),
		"Flag-bleeding-active": warning(workflow.Flag{
			Code: workflow.FlagBleeding, Active: true, Start: clockAt("2026-11-25T13:32:00Z"), Text: "Active bleeding at the right wrist.",
		}),
		"Flag-band-time-inactive": warning(workflow.Flag{
			Code: workflow.FlagBandTime, Start: clockAt("2026-11-25T16:00:00Z"), End: clockAt("2026-11-25T16:20:00Z"),
		}),
		"Provenance-observation": origin(Origin{
			Targets: []string{"Task/release-step-3/_history/4", "CarePlan/plan1/_history/2"}, Recorded: at, Occurred: clockAt("2026-11-25T14:19:00Z"),
			Update: true, Author: "Practitioner/n1", Source: "Observation/o1/_history/1",
		}, c),
		"Provenance-message": origin(Origin{
			Targets: []string{"CarePlan/plan1/_history/1"}, Recorded: at, Author: "Cardiac laboratory system",
			SourceIdentifier: "https://ehr.example/endpoint|m1",
		}, draft),
		"Provenance-time-passed": origin(Origin{Targets: []string{"Task/site-check-7/_history/2"}, Recorded: at, Update: true}, none),
		"AuditEvent-create":      audit(chartedAccess(at)),
		"AuditEvent-search":      audit(searchAccess(at)),
		"AuditEvent-denied":      audit(deniedAccess(at)),
		"AuditEvent-delete":      audit(removedAccess(at)),
		"Bundle-answer-ok":       answer(told),
		"Bundle-answer-warned":   answer(warned),
		"Bundle-answer-refused":  answer(refused),
	}
}
