package episode

import (
	"maps"
	"time"

	"fhirsvc/internal/store"
	"fhirsvc/internal/workflow"
)

// Watching is told what changes. Its methods return at once.
type Watching interface {
	// Input tells of an input of an episode that was committed.
	Input(kind string)
	// Conflict tells of a changeset that is made anew, because somebody else was faster.
	Conflict()
	// Due tells how late an episode was told that its time had come.
	Due(lag time.Duration)
	// Ended tells of an episode whose plan is completed: how often it bled, and the times to the
	// first release and with a band on, zero for what there was not.
	Ended(bleeds int, firstRelease, bandTime time.Duration)
}

// unwatched tells nobody.
type unwatched struct{}

func (unwatched) Input(string)                            {}
func (unwatched) Conflict()                               {}
func (unwatched) Due(time.Duration)                       {}
func (unwatched) Ended(int, time.Duration, time.Duration) {}

// ends reports whether a step completed the plan for the first time.
func ends(before, after workflow.Episode) bool {
	return before.Plan.Status != workflow.PlanCompleted && after.Plan.Status == workflow.PlanCompleted
}

// committed tells of a draft that is stored now.
func (s *Service) committed(d *draft) {
	for _, e := range d.changes.Episodes {
		s.Watch.Input(e.Input.Kind)
	}
	for _, f := range d.ended {
		s.Watch.Ended(f.Bleeds, f.FirstRelease, f.BandTime)
	}
	for id, k := range d.stepped {
		s.recent.put(id, k)
	}
	s.wake(d)
}

// carryTrace puts the trace that led to a change into the headers of what tells of it.
func carryTrace(messages []store.Outbox, headers map[string]string) {
	for i := range messages {
		maps.Copy(messages[i].Headers, headers)
	}
}
