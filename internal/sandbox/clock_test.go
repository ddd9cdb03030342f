package sandbox

import (
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
)

var start = time.Date(2025, 3, 4, 9, 30, 0, 0, time.UTC)

func TestOpenClockKinds(t *testing.T) {
	tests := []struct {
		kind   string
		start  time.Time
		manual bool
		rate   int
		fault  string
	}{
		{kind: "wall", rate: 1},
		{kind: "wall", start: start, fault: "wall clock can't be set"},
		{kind: "manual", start: start, manual: true},
		{kind: "fast:60", start: start, rate: 60},
		{kind: "fast:0", fault: "N from 1 to 3600"},
		{kind: "fast:x", fault: "N from 1 to 3600"},
		{kind: "slow", fault: "want wall, manual or fast:N"},
	}
	for _, tt := range tests {
		t.Run(tt.kind, func(t *testing.T) {
			c, err := OpenClock(tt.kind, tt.start, filepath.Join(t.TempDir(), "clock.json"))
			if tt.fault != "" {
				require.ErrorContains(t, err, tt.fault)
				return
			}
			require.NoError(t, err)
			require.Equal(t, tt.manual, c.Manual())
			require.Equal(t, tt.rate, c.Rate())
		})
	}
}

func TestManualClockStandsAndGoesForward(t *testing.T) {
	c, err := OpenClock("manual", start, filepath.Join(t.TempDir(), "clock.json"))
	require.NoError(t, err)
	require.Equal(t, start, c.Now())
	require.NoError(t, c.Set(start.Add(time.Minute)))
	require.Equal(t, start.Add(time.Minute), c.Now())
	require.ErrorIs(t, c.Set(start), ErrBackwards)
	require.Equal(t, start.Add(time.Minute), c.Now())
}

func TestManualClockGoesOnWhereItStood(t *testing.T) {
	file := filepath.Join(t.TempDir(), "clock.json")
	c, err := OpenClock("manual", start, file)
	require.NoError(t, err)
	require.NoError(t, c.Set(start.Add(time.Hour)))

	again, err := OpenClock("manual", time.Time{}, file)
	require.NoError(t, err)
	require.Equal(t, start.Add(time.Hour), again.Now())

	_, err = OpenClock("manual", start, file)
	require.ErrorIs(t, err, ErrBackwards)
}

func TestFastClock(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		file := filepath.Join(t.TempDir(), "clock.json")
		c, err := OpenClock("fast:60", start, file)
		require.NoError(t, err)
		time.Sleep(2 * time.Second)
		require.Equal(t, start.Add(2*time.Minute), c.Now())

		time.Sleep(time.Second) // a restart is no pause
		again, err := OpenClock("fast:60", time.Time{}, file)
		require.NoError(t, err)
		require.Equal(t, start.Add(3*time.Minute), again.Now())
	})
}

func TestParseDuration(t *testing.T) {
	tests := map[string]time.Duration{
		"PT15M":     15 * time.Minute,
		"P1DT2H":    26 * time.Hour,
		"PT1H30M5S": time.Hour + 30*time.Minute + 5*time.Second,
		"P2D":       48 * time.Hour,
		"-PT1M":     -time.Minute,
		"PT0S":      0,
	}
	for text, want := range tests {
		t.Run(text, func(t *testing.T) {
			got, err := parseDuration(text)
			require.NoError(t, err)
			require.Equal(t, want, got)
		})
	}
	for _, text := range []string{"", "P", "PT", "15M", "P1M", "P1Y", "PT1.5H", "PTM", "PT999999999S"} {
		t.Run("not "+text, func(t *testing.T) {
			_, err := parseDuration(text)
			require.Error(t, err)
		})
	}
}
