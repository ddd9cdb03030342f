package storetest

import (
	"bytes"
	"context"
	"maps"
	"slices"
	"sync"
	"time"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
)

// Memory is a store that forgets everything at its end: maps under one lock, written to be
// read, and held to the same contract as the others. Simulations play thousands of wards
// on it; nothing real is kept in it.
type Memory struct {
	mu        sync.Mutex
	model     model
	episodes  map[string]*episodeRow
	order     []string // of episodes, as they came
	resources map[pair][]store.Resource
	outbox    []outboxRow
	leases    [store.Partitions]lease
	kept      []store.Quarantine
	settings  map[string]string
	told      int64
	purged    map[string]bool // episodes
	protocols map[string][]byte
	queues    queues
	aside     []store.AsideRow

	destinations map[string]*destination
}

type episodeRow struct {
	store.Episode
	inputs []store.Input
	leased time.Time
}

type outboxRow struct {
	store.OutboxRow
	sent   bool
	gone   bool // removed, but for its place
	queued time.Time
}

type lease struct {
	fence int64
	until time.Time
}

// NewMemory returns an empty store.
func NewMemory() *Memory {
	return &Memory{
		model: newModel(), purged: map[string]bool{}, episodes: map[string]*episodeRow{},
		resources: map[pair][]store.Resource{}, settings: map[string]string{}, protocols: map[string][]byte{},
		destinations: map[string]*destination{},
	}
}

// Clone returns a store of its own that begins with what is installed in this one: the settings,
// the protocols and the resources that belong to no episode.
func (m *Memory) Clone() *Memory {
	m.mu.Lock()
	defer m.mu.Unlock()
	n := NewMemory()
	n.settings, n.protocols = maps.Clone(m.settings), maps.Clone(m.protocols)
	for key, versions := range m.resources {
		if versions[0].Episode == "" {
			n.resources[key] = slices.Clone(versions)
			n.model.resources[key] = versions[len(versions)-1].Version
		}
	}
	return n
}

func missing(op, what string) error {
	return outcome.Fail(outcome.CodeNotFound, op, "there is no %s", what)
}

// Commit lets the model decide, and then writes what it took.
func (m *Memory) Commit(ctx context.Context, changes []store.Changeset) ([]store.Result, error) {
	if err := store.Verify(changes); err != nil {
		return nil, err
	}
	if ctx.Err() != nil {
		return nil, &outcome.Error{Kind: outcome.CodeNoStore, Op: "commit", Err: ctx.Err()}
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	var results []store.Result
	for _, c := range changes {
		r := m.model.commit([]store.Changeset{c})[0]
		if r.Status == store.Committed {
			m.write(c)
		}
		results = append(results, r)
	}
	return results, nil
}

func (m *Memory) write(c store.Changeset) {
	for _, e := range c.Episodes {
		row := m.episodes[e.ID]
		if row == nil {
			row = &episodeRow{}
			m.episodes[e.ID] = row
			m.order = append(m.order, e.ID)
		}
		row.Episode = store.Episode{
			ID: e.ID, Unit: e.Unit, Subject: e.Subject, Version: e.Expected + 1, State: bytes.Clone(e.State),
			RulesVersion: e.RulesVersion, Protocol: e.Protocol, ProtocolDigest: e.ProtocolDigest, Due: e.Due,
		}
		row.inputs, row.leased = append(row.inputs, e.Input), time.Time{}
	}
	for _, r := range c.Resources {
		key := pair{r.Type, r.ID}
		m.resources[key] = append(m.resources[key], r)
	}
	for _, o := range c.Outbox {
		o.Headers = maps.Clone(o.Headers)
		m.outbox = append(m.outbox, outboxRow{OutboxRow: store.OutboxRow{Seq: int64(len(m.outbox) + 1), Outbox: o}, queued: time.Now()})
	}
	for _, s := range c.Subscriptions {
		m.setQueue(s)
	}
	if q := c.Quarantine; q != nil && !slices.ContainsFunc(m.kept, func(k store.Quarantine) bool { return k.ID == q.ID }) {
		m.kept = append(m.kept, *q)
	}
}

// Answer gives the inbox entry of an input that was accepted.
func (m *Memory) Answer(_ context.Context, source, id string) (store.Inbox, bool, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	entry, ok := m.model.inbox[pair{source, id}]
	entry.Position = store.Position{}
	return entry, ok, nil
}

// Load gives an episode.
func (m *Memory) Load(_ context.Context, id string) (store.Episode, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if row := m.episodes[id]; row != nil {
		return row.Episode, nil
	}
	if m.purged[id] {
		return store.Episode{}, outcome.Fail(outcome.CodeDeleted, "load", "the record of this episode was removed")
	}
	return store.Episode{}, missing("load", "episode "+id)
}

// EpisodesOf gives the ids of a patient's episodes, oldest first.
func (m *Memory) EpisodesOf(_ context.Context, subject string) ([]string, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return slices.DeleteFunc(slices.Clone(m.order), func(id string) bool { return m.episodes[id].Subject != subject }), nil
}

// Inputs gives all inputs of an episode in order.
func (m *Memory) Inputs(_ context.Context, id string) ([]store.Input, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if row := m.episodes[id]; row != nil {
		return slices.Clone(row.inputs), nil
	}
	return nil, nil
}

// Ping says that it is there.
func (m *Memory) Ping(context.Context) error { return nil }

// Close forgets nothing before its time.
func (m *Memory) Close() {}

// Fix stores a setting once.
func (m *Memory) Fix(_ context.Context, name, value string) (string, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if _, ok := m.settings[name]; !ok {
		m.settings[name] = value
	}
	return m.settings[name], nil
}

// FixProtocol stores a protocol version once.
func (m *Memory) FixProtocol(_ context.Context, canonical string, body []byte) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	known, ok := m.protocols[canonical]
	if !ok {
		m.protocols[canonical] = bytes.Clone(body)
	} else if !bytes.Equal(known, body) {
		return outcome.Fail(outcome.CodeDuplicate, "fix protocol", "%s has other bytes", canonical)
	}
	return nil
}

// Protocol gives the bytes of a protocol version.
func (m *Memory) Protocol(_ context.Context, canonical string) ([]byte, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if body, ok := m.protocols[canonical]; ok {
		return body, nil
	}
	return nil, missing("protocol", "protocol "+canonical)
}

// Quarantined lists what is kept in quarantine.
func (m *Memory) Quarantined(context.Context) ([]store.Quarantine, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return slices.Clone(m.kept), nil
}
