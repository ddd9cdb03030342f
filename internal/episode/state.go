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
	Core  json.RawMessage    `json:"core"`
	Known map[string]written `json:"known"` // by Type/id
	Refs  workflow.Refs      `json:"refs"`  // of the event that counts
	Order time.Time          `json:"order"` // of that event, also of a revocation
	Begin time.Time          `json:"begin"` // nothing found earlier belongs to the episode
	Names map[string]string  `json:"names"` // what people are called, by how the core names them
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
	core, err := encodeCore(l.core)
	if err != nil {
		return nil, err
	}
	l.state.Core = core
	b, err := json.Marshal(l.state)
	if err != nil {
		return nil, fmt.Errorf("encode state of episode %s: %w", l.id, err)
	}
	return b, nil
}

// encodeCore writes the core's state. The protocol is left out.
func encodeCore(e workflow.Episode) ([]byte, error) {
	e.Protocol = nil
	b, err := json.Marshal(e)
	if err != nil {
		return nil, fmt.Errorf("encode state of episode %s: %w", e.ID, err)
	}
	return b, nil
}

func decodeCore(b []byte, p *workflow.Protocol) (workflow.Episode, error) {
	var e workflow.Episode
	d := json.NewDecoder(bytes.NewReader(b))
	d.DisallowUnknownFields()
	if err := d.Decode(&e); err != nil {
		return e, fmt.Errorf("decode state: %w", err)
	}
	e.Protocol = p
	return e, nil
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
	if err := json.Unmarshal(stored.State, &l.state); err != nil {
		return nil, fmt.Errorf("load episode %s: %w", stored.ID, err)
	}
	if l.core, err = decodeCore(l.state.Core, p.Protocol); err != nil {
		return nil, fmt.Errorf("load episode %s: %w", stored.ID, err)
	}
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
