package main

import "runtime/debug"

// garbage is what may lie about, in percent of what is in use, before it is collected. Nearly
// all that an input takes is gone with its answer, and what is in use is little, so that Go's
// own 100 collects every few dozen inputs, for an eighth of the processor time.
const garbage = 400

// collectSeldom sets that, unless whoever runs the service says otherwise by Go's own GOGC.
// GOMEMLIMIT still bounds all (https://go.dev/doc/gc-guide).
func collectSeldom(getenv func(string) string) {
	if getenv("GOGC") == "" {
		debug.SetGCPercent(garbage)
	}
}
