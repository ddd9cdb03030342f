package bench

import (
	"bufio"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func rate(perSecond int) Sample { return Sample{Count: perSecond, CPU: 1e6, Wall: 2e6} }

func TestRates(t *testing.T) {
	t.Parallel()
	s := rate(5000)
	require.InDelta(t, 5000, s.PerSecond(), 1e-6)
	require.InDelta(t, 2500, s.PerWallSecond(), 1e-6)
}

// TestRatio: a round in which the machine was slow for both counts like any other.
func TestRatio(t *testing.T) {
	t.Parallel()
	p := Pair{
		Ours: Series{Samples: []Sample{rate(40), rate(10), rate(60)}},
		Peer: Series{Samples: []Sample{rate(10), rate(5), rate(10)}},
	}
	require.InDelta(t, 4, p.Ratio(Sample.PerSecond), 1e-6)
	require.InDelta(t, 40, p.Ours.Median(Sample.PerSecond), 1e-6)
	require.InDelta(t, 2.5, median([]float64{4, 1, 2, 3}), 1e-6)
}

func TestGoals(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name string
		goal Goal
		met  bool
		want string
	}{
		{"above the goal", AtLeast("x", 3, 5, 5), true, "| x | ≥ 3 | ≥ 5 | 5.0 | met |"},
		{"above the floor", AtLeast("x", 3, 5, 3), true, "| x | ≥ 3 | ≥ 5 | 3.0 | floor met, goal not |"},
		{"below the floor", AtLeast("x", 3, 5, 2.9), false, "| x | ≥ 3 | ≥ 5 | 2.9 | **not met** |"},
		{"low enough", Below("x", 500, 300, 120), true, "| x | < 500 | < 300 | 120 | met |"},
		{"too high", Below("x", 500, 300, 500), false, "| x | < 500 | < 300 | 500 | **not met** |"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			require.Equal(t, c.met, c.goal.Met())
			require.Contains(t, GoalTable([]Goal{c.goal}), c.want)
		})
	}
}

// TestTable: what a runtime does not count is not shown as none.
func TestTable(t *testing.T) {
	t.Parallel()
	text := Table([]Series{
		{Name: "a", Counted: true, Samples: []Sample{rate(4000)}},
		{Name: "b", Samples: []Sample{rate(1000)}},
	}, []string{"", "4.0"})
	require.Contains(t, text, "|  | a | b |\n")
	require.Contains(t, text, "| resources a second of processor time | 4000 | 1000 |\n")
	require.Contains(t, text, "| allocations a resource | 0 | not counted |\n")
	require.Contains(t, text, "| ours to it, by processor time |  | 4.0 |\n")
}

func TestListen(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct{ said, fault string }{
		"both lines":   {"ready\n{\"count\":3,\"cpu\":1,\"wall\":2}\n", ""},
		"nothing":      {"", "instead of ready"},
		"not ready":    {"hello\n", "instead of ready"},
		"no result":    {"ready\n", "no result"},
		"no JSON":      {"ready\noops\n", "result"},
		"none counted": {"ready\n{}\n", "measured nothing"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s, err := listen(bufio.NewScanner(strings.NewReader(c.said)), time.Now())
			if c.fault != "" {
				require.ErrorContains(t, err, c.fault)
				return
			}
			require.NoError(t, err)
			require.Equal(t, 3, s.Count)
		})
	}
}

// TestServe lets a contender that accepts what is short judge a small set: the counts
// are its own, whatever the times.
func TestServe(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	work := Work{Task: "{}", Types: []string{"1", "2"}, Set: []string{"short", "far too long"}}
	require.NoError(t, work.Write(folder))
	require.Equal(t, 8, work.Mean())
	var out strings.Builder
	judged := 0
	require.NoError(t, Serve([]string{folder, "0", "1"}, &out, func() (Judge, error) {
		return func(r []byte) bool { judged++; return len(r) < 8 }, nil
	}))
	s, err := listen(bufio.NewScanner(strings.NewReader(out.String())), time.Now())
	require.NoError(t, err)
	require.Equal(t, 1, s.Accepted)
	require.Zero(t, s.Count%2, "whole passes")
	require.Greater(t, judged, 1+2+2+s.Count+batch*taskBatches)
	require.Zero(t, (judged-1)%2, "whole passes")
}
