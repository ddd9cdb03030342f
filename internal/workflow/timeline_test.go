package workflow_test

import (
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/workflow"
)

// timelineOf is what a story's picture is drawn from.
func timelineOf(t *testing.T, name string) workflow.Timeline {
	return told(t, filepath.Join("testdata/scenario", name+".txt")).e.Timeline()
}

// levels are the levels as text: 11:00 12, with ? where it is in doubt, - unknown, off without
// a band.
func levels(t workflow.Timeline) []string {
	var list []string
	for _, l := range t.Levels {
		text := hhmm(l.At) + " " + l.Volume.String()
		switch {
		case l.Off:
			text = hhmm(l.At) + " off"
		case l.State == workflow.BookUncertain:
			text += "?"
		case l.State == workflow.BookUnknown:
			text = hhmm(l.At) + " -"
		}
		list = append(list, text)
	}
	return list
}

// TestTimelineLevels: the book against time, as it was known when: a doubt begins where it
// arose and ends where it was settled, and what nobody knows is no number.
func TestTimelineLevels(t *testing.T) {
	for name, want := range map[string][]string{
		"two_bleeds":             {"10:00 15", "11:00 12", "11:15 9", "11:18 12", "11:50 10.5", "12:05 9", "12:08 10.5"},
		"count_contradicts":      {"10:00 15", "10:12 15?", "10:20 13"},
		"missing_initial_volume": {"10:00 -", "11:10 14"},
		"band_replaced":          {"10:00 12", "10:50 -", "10:52 10"},
		"occluded_at_empty":      {"10:00 10", "11:00 5", "11:15 0", "11:31 off"},
	} {
		require.Equal(t, want, levels(timelineOf(t, name)), name)
	}
}

// TestTimelineSpans: a bleed lasts to the dry look, a hold as the protocol says, an order
// until it is taken back, and what is not over has no end.
func TestTimelineSpans(t *testing.T) {
	spans := func(name string) []string {
		var list []string
		for _, x := range timelineOf(t, name).Spans {
			list = append(list, string(x.Kind)+" "+hhmm(x.From)+" "+hhmm(x.To))
		}
		return list
	}
	require.Equal(t, []string{
		"bleeding 11:17 11:20", "hold-after-bleed 11:20 11:50", "bleeding 12:07 12:10", "hold-after-bleed 12:10 12:25",
	}, spans("two_bleeds"))
	require.Equal(t, []string{"hold 10:30 11:25"}, spans("order_to_hold"))
	require.Equal(t, []string{"not-patent 11:30 -"}, spans("occluded_at_empty"))
	require.Contains(t, spans("nurse_pauses")[0], "pause ")
}

// TestTimelineActs: planned stands beside done, by the last plan before the act.
func TestTimelineActs(t *testing.T) {
	acts := func(name string) map[string]workflow.Act {
		byKey := map[string]workflow.Act{}
		for _, a := range timelineOf(t, name).Acts {
			byKey[a.Key.String()] = a
		}
		return byKey
	}
	a := acts("smooth_diagnostic")["release-step/1"]
	require.Equal(t, []string{"11:00", "11:10", "11:01", "3", "3"}, []string{hhmm(a.From), hhmm(a.Due), hhmm(a.Done), a.Planned.String(), a.Amount.String()})
	a = acts("occluded_at_empty")["release-step/1"]
	require.Equal(t, []string{"3", "5"}, []string{a.Planned.String(), a.Amount.String()}, "more than was planned")
	a = acts("two_bleeds")["restore-compression/1"]
	require.Equal(t, []string{"11:17", "11:18"}, []string{hhmm(a.From), hhmm(a.Done)})
	a = acts("two_bleeds")["band-removal/1"]
	require.True(t, a.Done.IsZero(), "the band is still on")
	a = acts("step_refused")["release-step/1"]
	require.True(t, a.Done.IsZero() && a.Status.Finished(), "refused")
}

// TestTimelineOfEveryStory: what is late in the picture is what the figures count, levels
// run forward, and nobody is named.
func TestTimelineOfEveryStory(t *testing.T) {
	paths, err := filepath.Glob("testdata/scenario/*.txt")
	require.NoError(t, err)
	late := 0
	for _, path := range paths {
		s := told(t, path)
		if len(s.e.Events) == 0 {
			continue
		}
		x := s.e.Timeline()
		done := 0
		for _, d := range x.Delays {
			if task := s.e.Task(d.Key); task.Status == workflow.TaskCompleted {
				done++
			}
		}
		require.Equal(t, s.e.Figures().Care.Late, done, path)
		late += done
		for i, l := range x.Levels {
			require.False(t, i > 0 && l.At.Before(x.Levels[i-1].At), "%s: %v", path, levels(x))
		}
		if book := s.e.Plan.Summary.Book; s.e.Plan.Summary.BandOn {
			last := x.Levels[len(x.Levels)-1]
			require.Equal(t, []string{string(book.State), book.Volume.String()}, []string{string(last.State), last.Volume.String()}, "%s: %v", path, levels(x))
		}
		for _, f := range x.Findings {
			require.Empty(t, f.By+f.Text, path)
		}
		for _, o := range x.Orders {
			require.Empty(t, o.By+o.Reason, path)
		}
	}
	require.Positive(t, late)
}

// TestTimelineIsKeptAtTheEnd: the core orders the picture kept in the step in which the
// plan ends and in every one after it, also in the one in which it runs again, and in none
// before.
func TestTimelineIsKeptAtTheEnd(t *testing.T) {
	for name, want := range map[string][2]int{"two_bleeds": {0, 0}, "smooth_diagnostic": {1, 0}, "held_revoked_and_taken_back": {1, 1}} {
		kept, again := 0, 0
		watch := func(before, after *workflow.Episode, effects []workflow.Effect) {
			for _, e := range effects {
				x, ok := e.(workflow.PutTimeline)
				if !ok {
					continue
				}
				require.True(t, before.Plan.Status.Ended() || after.Plan.Status.Ended(), "%s: the plan is %s", name, after.Plan.Status)
				require.Equal(t, after.Plan.Status, x.Timeline.Plan.Status)
				if kept++; !after.Plan.Status.Ended() {
					again++
				}
			}
		}
		playStory(t, filepath.Join("testdata/scenario", name+".txt"), func(s *story) { s.effects = watch })
		require.GreaterOrEqual(t, kept, want[0], name)
		require.Equal(t, want[0] > 0, kept > 0, name)
		require.Equal(t, want[1], again, name)
	}
}
