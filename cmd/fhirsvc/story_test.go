package main

import (
	"testing"

	"fhirsvc/internal/sandbox/bedside"
)

// step is one thing that happens in the story, and what a charting screen must show
// after it: the open Tasks in order of their due times, the plan's status, and the
// volume that is still to be let out ("" is not looked at).
type step struct {
	name   string
	do     func(w *ward)
	open   []string
	plan   string
	volume string
}

// theCase is the story's procedure: 15 mL in the band at 10:00, told at 10:05.
func theCase() bedside.Case {
	c := bedside.NewCase(1, "diagnostic", at("10:00"))
	c.Version, c.Message = at("10:05"), "4f5d1cb4-6a0b-4c33-9d0e-4f1c2d1a7e01"
	return c
}

func chart(clock string, findings ...string) func(w *ward) {
	return func(w *ward) {
		w.Helper()
		w.turn(clock)
		w.chart(findings...)
	}
}

// The looks of the story.
const (
	dry      = "access-site-bleeding=haemostasis"
	bleeding = "access-site-bleeding=bleeding"
	hand     = "hand-check=normal"
	flat     = "access-site-haematoma=absent"
	patent   = "radial-patency-test=patent"
)

// story is a whole episode by the diagnostic starter protocol: first release at 60 min,
// 3 mL each 15 min, a bleed after the third step, 3 mL back, hold 30 min from
// haemostasis, half steps for two dry steps, 15 min watch at empty, checks 15, 30 and 60
// min after removal, discharge 60 min after removal at the earliest. The times and
// volumes below follow from these numbers by arithmetic.
func story() []step {
	return append(storyToBleed(), storyFromBleed()...)
}

func storyToBleed() []step {
	return []step{
		{
			name: "the procedure is told", do: func(w *ward) { w.turn("10:05"); w.send(theCase().Event()); w.find(theCase()) },
			plan: "active", volume: "15",
			open: []string{
				"arrival-check/1 ready from=10:00 due=10:15",
				"site-check/1 ready from=10:00 due=10:15",
				"patency-check/arrival/1 ready from=10:00 due=10:30",
				"release-step/1 draft from=11:00 due=11:10 planned=3",
				"release-step/2 draft from=11:15 due=11:25 planned=3",
				"release-step/3 draft from=11:30 due=11:40 planned=3",
				"release-step/4 draft from=11:45 due=11:55 planned=3",
				"release-step/5 draft from=12:00 due=12:10 planned=3",
				"band-removal/1 draft from=12:15 due=12:15",
				"dressing/1 draft from=12:15 due=12:25",
				"discharge-check/1 draft from=14:00 due=-",
				"patient-teaching/1 draft from=- due=-",
			},
		},
		{
			name: "arrival, one look serves all", do: chart("10:12", "band-air-volume=15", dry, flat, hand, patent),
			plan: "active", volume: "15",
			open: []string{
				"site-check/2 ready from=10:12 due=10:27",
				"patency-check/first-release/1 ready from=10:53 due=11:10",
				"release-step/1 draft from=11:00 due=11:10 planned=3",
				"release-step/2 draft from=11:15 due=11:25 planned=3",
				"release-step/3 draft from=11:30 due=11:40 planned=3",
				"release-step/4 draft from=11:45 due=11:55 planned=3",
				"release-step/5 draft from=12:00 due=12:10 planned=3",
				"band-removal/1 draft from=12:15 due=12:15",
				"dressing/1 draft from=12:15 due=12:25",
				"discharge-check/1 draft from=14:00 due=-",
				"patient-teaching/1 draft from=- due=-",
			},
		},
		{name: "second look", do: chart("10:27", dry, hand), plan: "active"},
		{name: "third look", do: chart("10:42", dry, hand), plan: "active"},
		{
			name: "before the first release", do: chart("10:57", dry, hand, patent), plan: "active",
			open: []string{
				"release-step/1 draft from=11:00 due=11:10 planned=3",
				"release-step/2 draft from=11:15 due=11:25 planned=3",
				"site-check/5 ready from=10:57 due=11:27",
				"release-step/3 draft from=11:30 due=11:40 planned=3",
				"release-step/4 draft from=11:45 due=11:55 planned=3",
				"release-step/5 draft from=12:00 due=12:10 planned=3",
				"band-removal/1 draft from=12:15 due=12:15",
				"dressing/1 draft from=12:15 due=12:25",
				"discharge-check/1 draft from=14:00 due=-",
				"patient-teaching/1 draft from=- due=-",
			},
		},
		{
			name: "first release is offered", do: func(w *ward) { w.turn("11:00") }, plan: "active", volume: "15",
			open: []string{
				"release-step/1 ready from=11:00 due=11:10 planned=3",
				"release-step/2 draft from=11:15 due=11:25 planned=3",
				"site-check/5 ready from=10:57 due=11:27",
				"release-step/3 draft from=11:30 due=11:40 planned=3",
				"release-step/4 draft from=11:45 due=11:55 planned=3",
				"release-step/5 draft from=12:00 due=12:10 planned=3",
				"band-removal/1 draft from=12:15 due=12:15",
				"dressing/1 draft from=12:15 due=12:25",
				"discharge-check/1 draft from=14:00 due=-",
				"patient-teaching/1 draft from=- due=-",
			},
		},
		{name: "first release", do: chart("11:00", "band-air-removed=3"), plan: "active", volume: "12"},
		{
			name: "dry after it", do: chart("11:02", dry, hand), plan: "active", volume: "12",
			open: []string{
				"release-step/2 draft from=11:15 due=11:25 planned=3",
				"site-check/6 ready from=11:02 due=11:32",
				"release-step/3 draft from=11:30 due=11:40 planned=3",
				"release-step/4 draft from=11:45 due=11:55 planned=3",
				"release-step/5 draft from=12:00 due=12:10 planned=3",
				"band-removal/1 draft from=12:15 due=12:15",
				"dressing/1 draft from=12:15 due=12:25",
				"discharge-check/1 draft from=14:00 due=-",
				"patient-teaching/1 draft from=- due=-",
			},
		},
		{name: "second release", do: chart("11:15", "band-air-removed=3"), plan: "active", volume: "9"},
		{
			name: "dry after the second", do: chart("11:17", dry, hand), plan: "active", volume: "9",
			open: []string{
				"release-step/3 draft from=11:30 due=11:40 planned=3",
				"site-check/7 ready from=11:17 due=11:47",
				"release-step/4 draft from=11:45 due=11:55 planned=3",
				"release-step/5 draft from=12:00 due=12:10 planned=3",
				"band-removal/1 draft from=12:15 due=12:15",
				"dressing/1 draft from=12:15 due=12:25",
				"discharge-check/1 draft from=14:00 due=-",
				"patient-teaching/1 draft from=- due=-",
			},
		},
		{name: "third release", do: chart("11:30", "band-air-removed=3"), plan: "active", volume: "6"},
	}
}

func storyFromBleed() []step {
	return []step{
		{
			name: "it bleeds", do: chart("11:32", bleeding), plan: "active", volume: "6",
			open: []string{
				"restore-compression/1 ready from=11:32 due=11:32 planned=3 stat due-soon",
				"site-check/7 ready from=11:17 due=11:47",
				"release-step/4 on-hold from=12:02 due=12:12 planned=1.5",
				"release-step/5 draft from=12:17 due=12:27 planned=1.5",
				"release-step/6 draft from=12:32 due=12:42 planned=3",
				"band-removal/1 draft from=12:47 due=12:47",
				"dressing/1 draft from=12:47 due=12:57",
				"discharge-check/1 draft from=14:00 due=-",
				"patient-teaching/1 draft from=- due=-",
			},
		},
		{
			name: "air back", do: chart("11:33", "band-air-added=3"), plan: "active", volume: "9",
			open: []string{
				"restore-compression/1 ready from=11:33 due=11:38 planned=3 stat due-soon",
				"site-check/7 ready from=11:17 due=11:47",
				"release-step/4 on-hold from=12:02 due=12:12 planned=1.5",
				"release-step/5 draft from=12:17 due=12:27 planned=1.5",
				"release-step/6 draft from=12:32 due=12:42 planned=3",
				"release-step/7 draft from=12:47 due=12:57 planned=3",
				"band-removal/1 draft from=13:02 due=13:02",
				"dressing/1 draft from=13:02 due=13:12",
				"discharge-check/1 draft from=14:02 due=-",
				"patient-teaching/1 draft from=- due=-",
			},
		},
		{
			name: "it holds", do: chart("11:38", dry, hand), plan: "active", volume: "9",
			open: []string{
				"patency-check/after-adding/1 ready from=11:33 due=12:08",
				"site-check/8 ready from=11:38 due=12:08",
				"release-step/4 draft from=12:08 due=12:18 planned=1.5",
				"release-step/5 draft from=12:23 due=12:33 planned=1.5",
				"release-step/6 draft from=12:38 due=12:48 planned=3",
				"release-step/7 draft from=12:53 due=13:03 planned=3",
				"band-removal/1 draft from=13:08 due=13:08",
				"dressing/1 draft from=13:08 due=13:18",
				"discharge-check/1 draft from=14:08 due=-",
				"patient-teaching/1 draft from=- due=-",
			},
		},
		{name: "before the hold ends", do: chart("12:07", dry, hand, patent), plan: "active"},
		{name: "fourth release, half a step", do: chart("12:08", "band-air-removed=1.5"), plan: "active", volume: "7.5"},
		{name: "dry after the fourth", do: chart("12:10", dry, hand), plan: "active"},
		{name: "fifth release, half a step", do: chart("12:23", "band-air-removed=1.5"), plan: "active", volume: "6.0"},
		{
			name: "dry after the fifth", do: chart("12:25", dry, hand), plan: "active",
			open: []string{
				"release-step/6 draft from=12:38 due=12:48 planned=3",
				"site-check/11 ready from=12:25 due=12:55",
				"release-step/7 draft from=12:53 due=13:03 planned=3",
				"band-removal/1 draft from=13:08 due=13:08",
				"dressing/1 draft from=13:08 due=13:18",
				"discharge-check/1 draft from=14:08 due=-",
				"patient-teaching/1 draft from=- due=-",
			},
		},
		{name: "sixth release", do: chart("12:38", "band-air-removed=3"), plan: "active", volume: "3.0"},
		{name: "dry after the sixth", do: chart("12:40", dry, hand), plan: "active"},
		{name: "the last air", do: chart("12:53", "band-air-removed=3"), plan: "active", volume: "0.0"},
		{
			name: "empty and dry", do: chart("12:55", dry, hand), plan: "active",
			open: []string{
				"band-removal/1 draft from=13:08 due=13:08",
				"patency-check/at-empty/1 ready from=12:53 due=13:08",
				"site-check/13 ready from=12:55 due=13:08",
				"dressing/1 draft from=13:08 due=13:18",
				"discharge-check/1 draft from=14:08 due=-",
				"patient-teaching/1 draft from=- due=-",
			},
		},
		{
			name: "removal is offered", do: chart("13:08", dry, hand, patent), plan: "active",
			open: []string{
				"band-removal/1 ready from=13:08 due=13:08 due-soon",
				"dressing/1 draft from=13:08 due=13:18",
				"site-check/14 ready from=13:08 due=13:38",
				"discharge-check/1 draft from=14:08 due=-",
				"patient-teaching/1 draft from=- due=-",
			},
		},
		{
			name: "the band is off", do: chart("13:10", "band-state=off"), plan: "active",
			open: []string{
				"dressing/1 ready from=13:10 due=13:20",
				"post-removal-check/1 ready from=13:10 due=13:25",
				"patency-check/after-removal/1 ready from=14:03 due=14:10",
				"discharge-check/1 draft from=14:10 due=-",
				"patient-teaching/1 ready from=13:10 due=-",
			},
		},
		{name: "dressing", do: func(w *ward) { w.turn("13:15"); w.complete("dressing/1") }, plan: "active"},
		{name: "teaching", do: func(w *ward) { w.turn("13:20"); w.complete("patient-teaching/1") }, plan: "active"},
		{name: "first check after", do: chart("13:25", dry, flat, hand), plan: "active"},
		{
			name: "second check after", do: chart("13:40", dry, flat, hand), plan: "active",
			open: []string{
				"patency-check/after-removal/1 ready from=14:03 due=14:10",
				"post-removal-check/3 ready from=13:40 due=14:10",
				"discharge-check/1 draft from=14:10 due=-",
			},
		},
		{
			name: "discharge is offered", do: func(w *ward) { w.turn("14:10") }, plan: "active",
			open: []string{
				"patency-check/after-removal/1 ready from=14:03 due=14:10 due-soon",
				"post-removal-check/3 ready from=13:40 due=14:10 due-soon",
				"discharge-check/1 ready from=14:10 due=-",
			},
		},
		{name: "discharge", do: chart("14:10", dry, flat, hand, patent), plan: "completed", open: []string{}},
	}
}

// wantShown asserts what a screen shows after the step.
func (s step) wantShown(t *testing.T, w *ward) {
	t.Helper()
	ok := t.Run(s.name, func(t *testing.T) {
		now := *w
		now.TB = t
		now.wantPlan(s.plan)
		if s.volume != "" {
			now.wantVolume(s.volume)
		}
		if s.open != nil {
			now.wantOpen(s.open...)
		}
	})
	if !ok {
		t.FailNow()
	}
}

func TestStory(t *testing.T) {
	onEach(t, func(t *testing.T, w *ward) {
		for _, s := range story() {
			s.do(w)
			s.wantShown(t, w)
		}
		w.wantSound(1)
		w.keep()
		w.process.stop(t)
	})
}
