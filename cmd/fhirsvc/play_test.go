package main

import (
	"os/exec"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// What a newcomer sees: a whole episode, told line by line, with the bleed and its way
// back, and then the addresses. Twenty minutes a second here.
func TestSandboxPlaysAnEpisode(t *testing.T) {
	t.Parallel()
	p := launch(t, nil, "sandbox", "--play", "--clock", "fast:1200", "--http", "127.0.0.1:0", "--nats", "127.0.0.1:0").ready(t)
	require.Eventually(t, func() bool { return strings.Contains(p.stdout.String(), "Look around") || p.hasEnded() },
		2*time.Minute, tick, p.stdout)
	for _, pattern := range []string{
		`EHR +tells over JetStream: diagnostic done through the right wrist, 15 mL in the band`,
		`fhirsvc +has a plan of 12 Tasks`,
		`arrival check: dry, no haematoma, hand normal, 15 mL in the band`,
		`release step 1: 3 mL out, dry`,
		`release step 3: 3 mL out, BLEEDING\. In the band: 6 mL\. NEXT, STAT: restore compression of 3 mL`,
		`restore compression: 3 mL back in, dry\. In the band: 9(\.0)? mL`,
		`band removal: band off\. Next: dressing`,
		`discharge check`,
		`fhirsvc +the plan is completed`,
		`curl 'http://127\.0\.0\.1:\d+/fhir/CarePlan`,
	} {
		require.Regexp(t, regexp.MustCompile(`(?m)`+pattern), p.stdout.String())
	}
	require.Equal(t, 3, strings.Count(p.stdout.String(), "  curl '"))
	wantPlayed(t, p.stdout.String())
	joined(t, p).keep()
	p.stop(t)
}

// wantPlayed: what README.md shows of `make run` is played in that order. The times are those
// of the day; what comes next depends on how fast the machine is.
func wantPlayed(t *testing.T, played string) {
	t.Helper()
	told, err := exec.Command("make", "-n", "-C", "../..", "run").Output()
	require.NoError(t, err)
	require.Contains(t, string(told), "./bin/fhirsvc sandbox --play\n")
	clock := regexp.MustCompile(`\d\d:\d\d`)
	plain := func(line string) string {
		before, _, _ := strings.Cut(clock.ReplaceAllString(line, "hh:mm"), ". Next:")
		return before
	}
	commands := console(pageLines(t, "README.md"))
	i := slices.IndexFunc(commands, func(c shown) bool { return c.command == "make run" })
	require.GreaterOrEqual(t, i, 0)
	require.Greater(t, len(commands[i].printed), 5)
	rest := strings.Split(played, "\n")
	for _, line := range commands[i].printed {
		if line == "…" {
			continue
		}
		at := slices.IndexFunc(rest, func(l string) bool { return plain(l) == plain(line) })
		require.GreaterOrEqual(t, at, 0, "%s\nis not played next in\n%s", line, strings.Join(rest, "\n"))
		rest = rest[at+1:]
	}
}

// Synthetic patients play by themselves until each plan is ended.
func TestSandboxPatients(t *testing.T) {
	t.Parallel()
	p := launch(t, nil, "sandbox", "--patients", "6", "--clock", "fast:1200", "--http", "127.0.0.1:0", "--nats", "127.0.0.1:0").ready(t)
	w := joined(t, p)
	require.Eventually(t, func() bool {
		found, err := w.client.Search(t.Context(), "CarePlan?status=completed")
		return err == nil && len(found) == 6
	}, 3*time.Minute, 200*time.Millisecond, p.stderr)
	w.wantSound(6)
	w.keep()
	p.stop(t)
}

// A sandbox without a folder leaves none behind.
func TestSandboxRemovesItsTemporaryFolder(t *testing.T) {
	t.Parallel()
	p := launch(t, nil, "sandbox", "--http", "127.0.0.1:0", "--nats", "127.0.0.1:0").ready(t)
	require.Len(t, temporary(t, p), 1)
	p.stop(t)
	require.Empty(t, temporary(t, p))
}

// One folder is one sandbox's.
func TestSandboxKeepsASecondOneOff(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	launch(t, nil, "sandbox", "--data", dir, "--http", "127.0.0.1:0", "--nats", "127.0.0.1:0").ready(t)
	second := launch(t, nil, "sandbox", "--data", dir, "--http", "127.0.0.1:0", "--nats", "127.0.0.1:0")
	<-second.ended
	require.Equal(t, exitFailed, second.cmd.ProcessState.ExitCode())
	require.Contains(t, second.stderr.String(), "another process")
}
