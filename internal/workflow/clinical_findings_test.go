package workflow_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/workflow"
)

// asked is a row of the table of findings: what is charted last in the course is the
// finding, and what the core then asks for is read off.
type asked struct {
	finding string
	source  string
	course  []string
}

const (
	sourceCP       = "common practice"
	sourceJudged   = "judgement, to be confirmed by the site"
	sourceBleed    = "BC Emergency Health Services PR32: put back what was just removed"
	sourceNotHeld  = "common practice: do not go above the maximum, press by hand, call"
	sourceEase     = "Eid-Lidt 2022 (NCT03558243): 1 to 2 mL out, retest in 15 min"
	sourceHand     = "neurovascular checks, nursing pocket card: report change; which signs can't wait: common practice"
	sourceEasy     = "EASY scale (Bertrand, Interventional Cardiology textbook): 5 and 10 cm, above the elbow; grade V: Giai Via 2015"
	sourceMethod   = "reverse Barbeau test (consensus, Bernat 2019): the ulnar artery compressed"
	sourceRemoval  = "SCAI 2014 (Rao): occlusion is looked for before discharge; treatment is the site's"
	sourcePulse    = "19.5 to 30 % of closed arteries have a pulse (Leipzig 2012; J Invasive Cardiol 2015): it proves nothing, its absence is asked about"
	sourceBand     = "a band over the ulnar artery among 105 cases (US neuro-interventional nursing abstract)"
	sourceRebleed  = "STAT2 2021: 2.3 re-inflations on average"
	sourceVolume   = "common practice: the book is a sum, the syringe may be right"
	sourceDrug     = "no readable source gives a time: a prescriber does"
	sourceNotDone  = "common practice: not done is not normal"
	sourceUnstable = "common practice; looking at the site found more than vital signs did (scoping review of 20 articles)"
)

// Where the rows begin: half an hour on, and at the first step, each after a dry look.
func halfHour(more ...string) []string {
	return slices.Concat([]string{
		"start at=10:05 kind=diagnostic side=right compression=10:00 volume=12",
		"observe at=10:12 volume=12 bleeding=haemostasis hand=normal haematoma=absent pulse=normal patency=patent",
		"observe at=10:27 bleeding=haemostasis hand=normal",
		"clock to=10:30",
	}, more)
}

func firstStep(more ...string) []string {
	return slices.Concat(halfHour("observe at=10:58 bleeding=haemostasis hand=normal patency=patent", "clock to=11:00"), more)
}

func stepTaken(more ...string) []string {
	return slices.Concat(firstStep("observe at=11:00 removed=3"), more)
}

func emptied(more ...string) []string {
	return stepTaken(slices.Concat([]string{"observe at=11:02 bleeding=haemostasis", "observe at=11:15 removed=9", "observe at=11:17 bleeding=haemostasis"}, more)...)
}

func bandOff(more ...string) []string {
	return emptied(slices.Concat([]string{"observe at=11:30 bleeding=haemostasis hand=normal patency=patent", "observe at=11:31 band=off"}, more)...)
}

func findingsAsked() []asked {
	return slices.Concat(bleedingAsked(), flowAsked(), handAsked(), swellingAsked(), patientAsked(), bandAsked())
}

func bleedingAsked() []asked {
	bleeds := []string{"observe at=11:02 bleeding=active", "observe at=11:03 added=3"}
	return []asked{
		{"site dry, at the time of a step", "BC Emergency Health Services PR32", firstStep("observe at=11:00 bleeding=haemostasis")},
		{"site not looked at, at the time of a step", sourceNotDone, firstStep("observe at=11:00 bleeding=not-done")},
		{"oozing after a step", sourceBleed, stepTaken("observe at=11:02 bleeding=oozing")},
		{"active bleeding after a step", sourceBleed, stepTaken("observe at=11:02 bleeding=active")},
		{"dry again after air was put back", "US teaching-hospital page: hold 30 min; half steps: judgement", stepTaken(slices.Concat(bleeds, []string{"observe at=11:05 bleeding=haemostasis"})...)},
		{"active bleeding goes on ten minutes after air was put back", sourceNotHeld, stepTaken(slices.Concat(bleeds, []string{"observe at=11:08 bleeding=active", "observe at=11:13 bleeding=active"})...)},
		{"active bleeding at the maximum of the band", sourceNotHeld, halfHour("observe at=10:31 added=6", "observe at=10:32 bleeding=active")},
		{"third bleed under the band", sourceRebleed, stepTaken(slices.Concat(bleeds, []string{
			"observe at=11:05 bleeding=haemostasis", "observe at=11:35 removed=1.5", "observe at=11:36 bleeding=active", "observe at=11:37 added=1.5",
			"observe at=11:40 bleeding=haemostasis", "observe at=12:10 removed=1.5", "observe at=12:12 bleeding=active",
		})...)},
		{"bleeding after the band came off", sourceCP, bandOff("observe at=11:40 bleeding=active")},
	}
}

func flowAsked() []asked {
	return []asked{
		{"artery open (waveform with the ulnar artery compressed, Doppler, duplex)", sourceMethod, halfHour("observe at=10:31 patency=patent")},
		{"artery open, by a waveform without the ulnar artery compressed", sourceMethod, halfHour("observe at=10:31 patency=patent method=waveform")},
		{"artery not open under the band, site dry", sourceEase, halfHour("observe at=10:31 patency=occluded")},
		{"artery not open while the site bleeds", sourceJudged, halfHour("observe at=10:31 bleeding=active", "observe at=10:32 patency=occluded")},
		{"test indeterminate", sourceEase, halfHour("observe at=10:31 patency=indeterminate")},
		{"test not done", sourceNotDone, halfHour("observe at=10:31 patency=not-done")},
		{"artery not open with no air in the band", "DISCO RADIAL 2022: duplex is the arbiter; an empty band holds nothing open", emptied("observe at=11:30 bleeding=haemostasis hand=normal patency=occluded")},
		{"artery not open after removal", sourceRemoval, bandOff("observe at=12:31 patency=occluded")},
		{"pulse normal or weak", sourcePulse, halfHour("observe at=10:31 pulse=weak")},
		{"pulse absent", sourcePulse, halfHour("observe at=10:31 pulse=absent")},
	}
}

func handAsked() []asked {
	row := func(finding, signs string) asked {
		course := halfHour("observe at=10:31 bleeding=haemostasis hand=abnormal signs=" + signs)
		return asked{finding, sourceHand, course}
	}
	return []asked{
		row("hand discoloured", "colour"),
		row("hand tingling or swollen", "tingling+swelling"),
		row("hand cold, or numb, or with slow refill, one alone", "temperature"),
		{"hand no better a quarter of an hour later", sourceHand, halfHour(
			"observe at=10:31 bleeding=haemostasis hand=abnormal signs=colour", "observe at=10:32 removed=1",
			"observe at=10:34 bleeding=haemostasis", "observe at=10:46 bleeding=haemostasis hand=abnormal signs=colour")},
		row("hand cold with numb with slow refill", "temperature+sensation+refill"),
		row("hand weak", "movement"),
		row("pain in the hand out of proportion", "pain"),
		{"hand not normal, its signs not told", sourceHand, halfHour("observe at=10:31 bleeding=haemostasis hand=abnormal")},
	}
}

func swellingAsked() []asked {
	row := func(finding, told string) asked {
		return asked{finding, sourceEasy, halfHour("observe at=10:31 haematoma=present " + told)}
	}
	return []asked{
		row("haematoma of 3 cm (grade I)", "diameter=3 grade=1"),
		row("haematoma of 6 cm", "diameter=6"),
		row("haematoma of 11 cm", "diameter=11"),
		row("haematoma not measured", ""),
		row("haematoma of grade II", "grade=2"),
		row("haematoma of grade III: up the forearm", "grade=3"),
		row("haematoma of grade IV: above the elbow", "grade=4"),
		row("haematoma of grade V: compartment syndrome", "grade=5"),
		{"haematoma grown by 1 cm since a clinician decided", sourceJudged, halfHour(
			"observe at=10:31 haematoma=present diameter=3",
			"task at=10:33 key=clinician-review/access-site-haematoma/1 status=completed owner=doctor",
			"observe at=10:42 haematoma=present diameter=4")},
	}
}

func patientAsked() []asked {
	return []asked{
		{"pain of 5 of 10", sourceJudged, halfHour("observe at=10:31 pain=5")},
		{"pain of 7 of 10", sourceJudged, halfHour("observe at=10:31 pain=7")},
		{"pain risen by 3 after air was let out for the artery", sourceJudged, halfHour(
			"observe at=10:31 pain=2", "observe at=10:32 patency=occluded", "observe at=10:33 removed=1",
			"observe at=10:35 bleeding=haemostasis", "observe at=10:36 pain=5")},
		{"systolic pressure of 85 mmHg, patient well", sourceUnstable, halfHour("observe at=10:31 pressure=85")},
		{"faint", sourceUnstable, halfHour("observe at=10:31 condition=faint")},
		{"collapsed", sourceUnstable, halfHour("observe at=10:31 condition=collapsed")},
		{"chest pain", sourceUnstable, halfHour("observe at=10:31 condition=chest-pain")},
		{"anticoagulant given while the band is on", sourceDrug, halfHour("observe at=10:31 given=enoxaparin")},
	}
}

func bandAsked() []asked {
	return []asked{
		{"band displaced", sourceBand, halfHour("observe at=10:31 band=displaced")},
		{"band over the ulnar artery", sourceBand, halfHour("observe at=10:31 band=over-ulnar")},
		{"band replaced by another", sourceCP, halfHour("observe at=10:31 band=replaced")},
		{"band found off with air in it", sourceCP, halfHour("observe at=10:31 band=off")},
		{"band never applied", sourceCP, halfHour("observe at=10:31 band=never-applied")},
		{"band taken off empty", "OPEN-Radial 2020: test 1 h after removal; BC Emergency Health Services PR32: looks go on", bandOff()},
		{"band on again after it was off", sourceCP, bandOff("observe at=11:40 band=on")},
		{"a count that contradicts the book", sourceVolume, halfHour("observe at=10:31 volume=9")},
		{"the same air out, charted twice within minutes", sourceVolume, stepTaken("observe at=11:01 removed=3")},
		{"the syringe draws nothing while the book says 12 mL", sourceVolume, firstStep("observe at=11:00 removed=0")},
	}
}

// TestClinicalFindings plays each finding, and holds the table in docs/clinical.md against
// what the core then asks for.
func TestClinicalFindings(t *testing.T) {
	rows := [][]string{{"finding", "asks for", "priority", "due", "next step", "source"}}
	for _, a := range findingsAsked() {
		s := &story{t: t}
		s.play(t, a.course[:len(a.course)-1]...)
		before := s.e
		s.play(t, a.course[len(a.course)-1])
		news := newTasks(&before, &s.e)
		if len(news) == 0 {
			news = [][]string{{"nothing more", "–", "–"}}
		}
		for i, n := range news {
			finding, next, source := a.finding, nextStep(&s.e), a.source
			if i > 0 {
				finding, next, source = "", "", ""
			}
			rows = append(rows, []string{finding, n[0], n[1], n[2], next, source})
		}
	}
	checkMade(t, "findings", table(rows))
}

// newTasks gives what is asked for and was not before, with the reviews that became more
// urgent: the Task, its priority, and how long after the finding it is due. A look that
// is due sooner than it was is told too.
func newTasks(before, after *workflow.Episode) [][]string {
	var list [][]string
	for _, t := range after.Tasks {
		old := before.Task(t.Key)
		sooner := old != nil && t.Key.Code == workflow.SiteCheck && t.Due.Before(old.Due)
		worse := old != nil && t.Key.Code == workflow.ClinicianReview && old.Priority != t.Priority
		rolled := t.Key.Code == workflow.SiteCheck && old == nil && before.Plan.Summary.BandOn
		if t.Status.Finished() || t.Key.Code == workflow.ReleaseStep || t.Key.Code == workflow.Dressing || old != nil && !sooner && !worse || rolled {
			continue
		}
		name := "`" + string(t.Key.Code) + "`"
		if t.Key.Purpose != "" {
			name += " (" + t.Key.Purpose + ")"
		}
		if t.Planned != nil {
			name += " of " + t.Planned.String() + " mL"
		}
		list = append(list, []string{name, string(t.Priority), dueIn(t.Due, after.Last)})
	}
	return list
}

func dueIn(due, now time.Time) string {
	switch in := due.Sub(now); {
	case due.IsZero():
		return "before leaving"
	case in <= 0:
		return "at once"
	default:
		return fmt.Sprintf("%.0f min", in.Minutes())
	}
}

// nextStep says whether the next act of the release is offered, and if not why.
func nextStep(e *workflow.Episode) string {
	if !e.Plan.Summary.BandOn {
		return "–"
	}
	for _, t := range e.Tasks {
		if t.Key.Code != workflow.ReleaseStep && t.Key.Code != workflow.BandRemoval || t.Status.Finished() || len(t.Outputs) > 0 {
			continue
		}
		switch {
		case t.Status == workflow.TaskReady:
			return "offered: `" + string(t.Key.Code) + "`"
		case len(t.Withheld) > 0:
			return "withheld"
		case !t.NotBefore.IsZero():
			return "in " + strings.TrimSpace(fmt.Sprintf("%.0f min", t.NotBefore.Sub(e.Last).Minutes()))
		}
		return "can't be told"
	}
	return "–"
}

// TestFindingsAreAllAsked: every kind of finding is in the table.
func TestFindingsAreAllAsked(t *testing.T) {
	var all []string
	for _, a := range findingsAsked() {
		all = append(all, a.course...)
	}
	text := strings.Join(all, "\n")
	for name := range findingNames {
		if name != "compression-start" { // asked for by a Task when it was not told
			require.Contains(t, text, name+"=", "no row charts %s", name)
		}
	}
}
