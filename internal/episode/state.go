package episode

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
	"fhirsvc/internal/workflow"
)

// state is what is kept of an episode beside its inputs and resources. Core is the
// core's own state without the protocol, which is named by the stored episode. All
// else follows from the inputs, too, but not from the core alone.
type state struct {
	Core  coreState          `json:"core"`
	Known map[string]written `json:"known"` // by Type/id
	Refs  workflow.Refs      `json:"refs"`  // of the event that counts
	Order time.Time          `json:"order"` // of that event, also of a revocation
	Begin time.Time          `json:"begin"` // nothing found earlier belongs to the episode
	Names map[string]string  `json:"names"` // what people are called, by how the core names them
}

// coreState is the core's state as it is stored: without the protocol.
type coreState workflow.Episode

// UnmarshalJSON refuses what these rules don't know.
func (c *coreState) UnmarshalJSON(b []byte) error {
	d := json.NewDecoder(bytes.NewReader(b))
	d.DisallowUnknownFields()
	return d.Decode((*workflow.Episode)(c))
}

// written is a rendered resource as it was last stored.
type written struct {
	Version int64             `json:"version"`
	Digest  string            `json:"digest"` // of what was rendered, without version and time
	Task    *workflow.TaskKey `json:"task,omitempty"`
}

// loaded is an episode in hand.
type loaded struct {
	id       string
	version  int64 // 0: not stored yet
	core     workflow.Episode
	state    state
	protocol protocol
	due      time.Time
	// renamed: an event told other references than those that the resources were written with.
	renamed bool
	// leaving is what the service wrote for an episode that an event moves to another
	// unit, as it is stored.
	leaving []store.Resource
}

// encode writes the state as it is stored.
func (l *loaded) encode() ([]byte, error) {
	whole := l.state
	whole.Core = withoutProtocol(l.core)
	b, err := json.Marshal(&whole)
	if err != nil {
		return nil, fmt.Errorf("encode state of episode %s: %w", l.id, err)
	}
	return b, nil
}

func withoutProtocol(e workflow.Episode) coreState {
	e.Protocol = nil
	return coreState(e)
}

// load gives an episode; not-found if there is none. What a newer version of the rules
// wrote is left alone.
func (s *Service) load(ctx context.Context, id string) (*loaded, error) {
	stored, err := s.Store.Load(ctx, id)
	if err != nil {
		return nil, err
	}
	return s.open(ctx, stored)
}

func (s *Service) open(ctx context.Context, stored store.Episode) (*loaded, error) {
	if stored.RulesVersion > workflow.RulesVersion {
		return nil, outcome.Fail(outcome.CodeTransient, "load episode "+stored.ID, "a newer version of this service has it; this one can't read it")
	}
	p, err := s.protocols.get(ctx, s.Store, stored.Protocol, stored.ProtocolDigest)
	if err != nil {
		return nil, err
	}
	l := &loaded{id: stored.ID, version: stored.Version, protocol: p, due: stored.Due}
	k, known := s.recent.get(stored)
	if !known {
		if k, err = decodeState(stored.State); err != nil {
			return nil, fmt.Errorf("load episode %s: %w", stored.ID, err)
		}
		s.recent.put(stored.ID, k)
	}
	l.core, l.state = k.core, k.state.clone()
	l.core.Protocol = p.Protocol
	return l, nil
}

// fresh gives an episode before its first input.
func fresh(id string) *loaded {
	return &loaded{
		id: id, core: workflow.New(id, nil, ""),
		state: state{Known: map[string]written{}, Names: map[string]string{}},
	}
}

// notFound reports whether the store gave a not-found.
func notFound(err error) bool { return outcome.KindOf(err) == outcome.CodeNotFound }

// open reports whether the plan still runs.
func (l *loaded) open() bool {
	return l.core.Plan.Status == workflow.PlanActive || l.core.Plan.Status == workflow.PlanOnHold
}

// side is the wrist of the event that counts: of several the last in order, of equals
// the first received, as in the core.
func (l *loaded) side() workflow.Side {
	var last *workflow.Event
	for i := range l.core.Events {
		if e := &l.core.Events[i]; last == nil || e.Order.After(last.Order) {
			last = e
		}
	}
	if last == nil {
		return ""
	}
	return last.Side
}

// has reports whether the episode holds a finding that was not withdrawn.
func (l *loaded) has(finding string) bool {
	gone := slices.ContainsFunc(l.core.Withdrawn, func(w workflow.Withdrawal) bool { return w.Finding == finding })
	return !gone && slices.ContainsFunc(l.core.Findings, func(f workflow.Finding) bool { return f.ID == finding })
}

// dose reports whether a finding of the episode was told by a MedicationAdministration.
func (l *loaded) dose(finding string) bool {
	return slices.ContainsFunc(l.core.Findings, func(f workflow.Finding) bool {
		return f.ID == finding && f.Code == workflow.Anticoagulant
	})
}

// task gives the key of a Task of the episode by the id of its resource. No episode has
// no Tasks.
func (l *loaded) task(id string) (workflow.TaskKey, bool) {
	if l == nil {
		return workflow.TaskKey{}, false
	}
	w, ok := l.state.Known["Task/"+id]
	if !ok || w.Task == nil {
		return workflow.TaskKey{}, false
	}
	return *w.Task, true
}

// call remembers what somebody is called.
func (l *loaded) call(by, name string) {
	if by != "" && name != "" && by != name {
		l.state.Names[by] = name
	}
}
