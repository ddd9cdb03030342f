package bedside

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// A look is made when it is due, an act from its earliest time, each as late as the nurse is;
// what is urgent at once, unless all is charted afterwards.
func TestVisit(t *testing.T) {
	start := time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)
	due := start.Add(15 * time.Minute)
	late := func() time.Duration { return 4 * time.Minute }
	for _, tt := range []struct {
		name   string
		task   Task
		manner Manner
		want   time.Time
	}{
		{"a look", Task{Code: "site-check"}, Manner{}, due},
		{"a look by a late nurse", Task{Code: "site-check"}, Manner{Late: late}, due.Add(4 * time.Minute)},
		{"an act", Task{Code: "release-step"}, Manner{}, start},
		{"an act by a late nurse", Task{Code: "release-step"}, Manner{Late: late}, start.Add(4 * time.Minute)},
		{"overdue", Task{Code: "site-check", Priority: "asap"}, Manner{Late: late}, start},
		{"overdue on paper", Task{Code: "site-check", Priority: "asap"}, Manner{Afterwards: true}, due},
		{"air back, on paper", Task{Code: "restore-compression", Priority: "stat"}, Manner{Afterwards: true}, start},
	} {
		t.Run(tt.name, func(t *testing.T) {
			tt.task.Start, tt.task.Due = start, due
			p := &play{Manner: tt.manner, late: map[string]time.Duration{}, now: start}
			require.Equal(t, tt.want, p.visit(tt.task))
			require.Equal(t, tt.want, p.visit(tt.task), "drawn once")
		})
	}
	p := &play{late: map[string]time.Duration{}}
	require.Equal(t, start, p.visit(Task{Code: "patient-teaching", Start: start}), "due at no time")
}
