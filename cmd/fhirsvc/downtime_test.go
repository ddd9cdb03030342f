package main

import (
	"net/http"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// The service is away from 10:06 to 11:05. What was written on paper is charted then, each with
// the time at which it was found: care was in time and charting was late, and the plan says
// the two apart. Without the paper the same hour is late care.
func TestDowntimeIsChartedAfterwards(t *testing.T) {
	begin := func(w *ward) {
		w.turn("10:05")
		w.send(theCase().Event())
		w.find(theCase())
		w.powerCut()
		w.turn("11:05")
	}
	onEach(t, func(t *testing.T, w *ward) {
		begin(w)
		w.chart(dry, hand, flat, "band-air-volume=15", "@10:09")
		w.chart(patent, "@10:25")
		for _, at := range []string{"@10:24", "@10:39", "@10:54"} {
			w.chart(dry, hand, at)
		}
		w.chart("band-air-removed=3", dry, "@11:02")
		require.Equal(t, "completed", w.task("arrival-check/1").Status)
		require.Equal(t, "completed", w.task("release-step/1").Status)
		w.wantVolume("12")
		care, charting := w.figures()
		require.NotContains(t, care, "min", "all was done in time: %s", care)
		require.Contains(t, charting, "min", "and entered late: %s", charting)
	})
	onEach(t, func(t *testing.T, w *ward) {
		begin(w)
		w.chart(dry, hand, flat, "band-air-volume=15") // now, and nothing was written
		care, charting := w.figures()
		require.Contains(t, care, "min", "nobody looked for an hour: %s", care)
		require.NotContains(t, charting, "min", charting)
	})
}

// figures are the two that the page to hand over tells, in words.
func (w *ward) figures() (care, charting string) {
	w.Helper()
	a, err := w.client.Do(w.Context(), http.MethodGet, "/fhir/"+w.plan+"/$handover", nil, nil)
	require.NoError(w, err)
	require.Equal(w, http.StatusOK, a.Status, string(a.Body))
	tag := regexp.MustCompile(`\\u003c.*?\\u003e|<[^>]*>`)
	text := strings.Join(strings.Fields(tag.ReplaceAllString(string(a.Body), " ")), " ")
	_, care, found := strings.Cut(text, "Late care")
	require.True(w, found, text)
	care, charting, found = strings.Cut(care, "Late charting")
	require.True(w, found, text)
	charting, _, _ = strings.Cut(charting, "Charted as not done")
	return care, charting[:min(60, len(charting))]
}
