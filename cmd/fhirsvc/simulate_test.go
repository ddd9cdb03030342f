package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/api"
	"fhirsvc/internal/simulation"
)

// simulate runs the command in this process.
func simulate(ctx context.Context, args ...string) (code int, stdout, stderr string) {
	var o, e bytes.Buffer
	code = run(ctx, append([]string{"simulate"}, args...), surroundings{getenv: from(nil), stdout: &o, stderr: &e})
	return code, o.String(), e.String()
}

// A seed gives the figures of both starters, beside the published ones, and the same
// figures again.
func TestSimulate(t *testing.T) {
	code, stdout, stderr := simulate(t.Context(), "--episodes", "20", "--seed", "3", "--rates", "high-bleed")
	require.Equal(t, exitOK, code, stderr)
	for _, want := range []string{
		"20 invented episodes, seed 3, rates high-bleed", "diagnostic", "intervention", ", 10 episodes",
		"STAT2, SCAI 2021", "band time, min", "#####", "no rule broken, all episodes ended",
	} {
		require.Contains(t, stdout, want)
	}
	require.Contains(t, stderr, "2 of 20 episodes")
	require.Contains(t, stderr, "20 of 20 episodes")
	_, again, _ := simulate(t.Context(), "--episodes", "20", "--seed", "3", "--rates", "high-bleed")
	require.Equal(t, stdout, again)
	_, other, _ := simulate(t.Context(), "--episodes", "20", "--seed", "4", "--rates", "high-bleed")
	require.NotEqual(t, stdout, other)
}

// A folder of protocols takes the place of the shipped ones.
func TestSimulateProtocols(t *testing.T) {
	dir := t.TempDir()
	for name, body := range api.Protocols() {
		require.NoError(t, os.WriteFile(filepath.Join(dir, filepath.Base(name)), body, 0o600))
		break
	}
	code, stdout, stderr := simulate(t.Context(), "--episodes", "3", "--protocols", dir)
	require.Equal(t, exitOK, code, stderr)
	require.Contains(t, stdout, ", 3 episodes")
	require.NoError(t, os.WriteFile(filepath.Join(dir, "x.json"), []byte(`{"resourceType":"PlanDefinition"}`), 0o600))
	code, _, stderr = simulate(t.Context(), "--protocols", dir)
	require.Equal(t, exitUsage, code)
	require.Contains(t, stderr, "--protocols: ")
	require.Contains(t, stderr, "url")
}

func TestSimulateUsage(t *testing.T) {
	for name, c := range map[string]struct {
		args []string
		want string
	}{
		"no such rates":      {[]string{"--rates", "none"}, `there are no rates "none": low-bleed, high-bleed`},
		"too few episodes":   {[]string{"--episodes", "1"}, "at least one for each protocol"},
		"too many episodes":  {[]string{"--episodes", "10000001"}, "2 to 10000000"},
		"protocols nowhere":  {[]string{"--protocols", "nowhere"}, "there is no .json file"},
		"no number for seed": {[]string{"--seed", "x"}, "invalid value"},
	} {
		t.Run(name, func(t *testing.T) {
			code, _, stderr := simulate(t.Context(), c.args...)
			require.Equal(t, exitUsage, code)
			require.Contains(t, stderr, c.want)
		})
	}
}

// Who stops it gets no figures of half a run.
func TestSimulateStopped(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	code, stdout, stderr := simulate(ctx, "--episodes", "100000")
	require.Equal(t, exitFailed, code)
	require.Empty(t, stdout)
	require.Regexp(t, `stopped after \d of 100000 episodes`, stderr)
}

// An episode that broke a rule is named, and the run has failed.
func TestSimulateFaults(t *testing.T) {
	protocols, err := simulated("")
	require.NoError(t, err)
	var o bytes.Buffer
	err = report(simulation.Ward{Protocols: protocols, Seed: 7}, []simulation.Result{
		{Number: 0, Protocol: protocols[0]},
		{Number: 1, Protocol: protocols[1], Fault: "a rule is broken: which?"},
	}, surroundings{stdout: &o})
	require.EqualError(t, err, "1 of 2 episodes broke a rule or did not end")
	require.Contains(t, o.String(), "seed 7, episode 1, "+protocols[1].Canonical()+": a rule is broken: which?")
	require.NotContains(t, o.String(), "no rule broken")
}
