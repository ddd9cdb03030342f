// Package workflow is the clinical core of fhirsvc: what is due next for a wrist
// under a compression band, given what really happened. Step is a pure function of
// the episode's state and one input; time enters only in the input.
//
// It knows the protocol, the volume ledger, the two clocks (time to first release,
// total band time), the checks, lateness and escalation. It must not know I/O, the
// wall clock, logs, JSON or how a resource is written.
//
// What reaches the core is a report of what already happened, never a request: it is
// kept, and the plan is recomputed from it. The core schedules and documents; it never
// decides treatment.
//
//	e := workflow.New("episode-1", protocol)
//	e, effects, err := workflow.Step(e, workflow.Started{Stamp: stamp, Event: event})
package workflow
