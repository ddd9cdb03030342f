package main

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// People come at the rate that was asked for, on a sandbox by its clock, and what they did is
// told; the run stops by itself.
func TestSimulateRate(t *testing.T) {
	p := launch(t, nil, "sandbox", "--http", "127.0.0.1:0", "--nats", "127.0.0.1:0", "--clock", "fast:1200").ready(t)
	code, stdout, stderr := simulate(t.Context(), "--rate", "60", "--http", p.http, "--nats", p.nats, "--for", "6s")
	require.Equal(t, exitOK, code, "%s\n%s", stdout, stderr)
	require.Regexp(t, `[5-7] cases begun, \d done, 0 broken off, 0 held back; [1-9]\d+ inputs acknowledged`, stdout)
	for _, want := range []string{"event", "chart", "look", "p99.9"} {
		require.Contains(t, stdout, want)
	}
	require.Contains(t, stderr, "inputs acknowledged", "it says how far it is")
}

func TestSimulateRateUsage(t *testing.T) {
	const here = "http://127.0.0.1:1"
	for name, c := range map[string]struct {
		args []string
		want string
	}{
		"another machine":   {[]string{"--rate", "1", "--http", "http://hospital.example"}, "hospital.example is not this machine; say --remote"},
		"another broker":    {[]string{"--rate", "1", "--http", here, "--nats", "nats://hospital.example:4222"}, "--nats: hospital.example:4222 is not this machine"},
		"no service":        {[]string{"--rate", "1"}, "--http: want a URL"},
		"no rate":           {[]string{"--http", here}, "--http needs --rate"},
		"a negative rate":   {[]string{"--rate", "-1", "--http", here}, "--rate: 1 to 6000"},
		"for ever":          {[]string{"--rate", "1", "--http", here, "--for", "25h"}, "--for: 1s to 24h"},
		"an hour of nought": {[]string{"--rate", "1", "--http", here, "--hour", "0s"}, "--hour: 1s to 1h"},
		"the core's flags":  {[]string{"--rate", "1", "--http", here, "--episodes", "9"}, "--episodes is for runs without --rate"},
	} {
		t.Run(name, func(t *testing.T) {
			code, _, stderr := simulate(t.Context(), c.args...)
			require.Equal(t, exitUsage, code)
			require.Contains(t, stderr, c.want)
		})
	}
}

// A service that is not there makes it fail.
func TestSimulateRateNobodyThere(t *testing.T) {
	code, stdout, stderr := simulate(t.Context(), "--rate", "60", "--http", "http://127.0.0.1:1", "--for", "1s")
	require.Equal(t, exitFailed, code)
	require.Contains(t, stdout, "broken off")
	require.Contains(t, stderr, "were broken off")
}
