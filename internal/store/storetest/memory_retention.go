package storetest

import (
	"context"
	"maps"
	"slices"
	"time"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
)

// Idle gives the ids of episodes that wait for no time.
func (m *Memory) Idle(_ context.Context, after string, limit int) ([]string, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	var ids []string
	for _, id := range slices.Sorted(maps.Keys(m.episodes)) {
		if id > after && m.episodes[id].Due.IsZero() && len(ids) < limit {
			ids = append(ids, id)
		}
	}
	return ids, nil
}

// OfEpisode looks at every current version.
func (m *Memory) OfEpisode(_ context.Context, id string) ([]store.Resource, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.ofEpisode(id), nil
}

func (m *Memory) ofEpisode(id string) []store.Resource {
	var all []store.Resource
	for _, r := range m.current() {
		if r.Episode == id && id != "" {
			all = append(all, stored(r))
		}
	}
	slices.SortFunc(all, func(a, b store.Resource) int { return slices.Compare([]string{a.Type, a.ID}, []string{b.Type, b.ID}) })
	return all
}

// Purge removes an episode and remembers it.
func (m *Memory) Purge(_ context.Context, id string, version int64, record store.Resource) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	row := m.episodes[id]
	if row == nil || row.Version != version || !row.Due.IsZero() || m.waits(id) {
		return outcome.Fail(outcome.CodeConflict, "purge", "the episode is another by now, or something of it is still to be told")
	}
	if err := m.keep(record); err != nil {
		return err
	}
	for _, r := range m.ofEpisode(id) {
		delete(m.resources, pair{r.Type, r.ID})
		delete(m.model.resources, pair{r.Type, r.ID})
	}
	delete(m.episodes, id)
	delete(m.model.episodes, id)
	m.order = slices.DeleteFunc(m.order, func(x string) bool { return x == id })
	m.kept = slices.DeleteFunc(m.kept, func(q store.Quarantine) bool { return q.Episode == id })
	m.purged[id] = true
	return nil
}

// keep stores a new resource.
func (m *Memory) keep(r store.Resource) error {
	c := store.Changeset{Resources: []store.Resource{r}}
	if m.model.commit([]store.Changeset{c})[0].Status != store.Committed {
		return outcome.Fail(outcome.CodeConflict, "keep", "%s/%s is there", r.Type, r.ID)
	}
	m.write(c)
	return nil
}

// waits reports whether something of an episode is still to be told.
func (m *Memory) waits(id string) bool {
	for i, row := range m.outbox {
		if row.Episode == id && (!row.sent || i >= m.queues.matched) {
			return true
		}
	}
	if slices.ContainsFunc(m.aside, func(r store.AsideRow) bool { return r.Episode == id }) {
		return true
	}
	for _, d := range m.destinations {
		if q := d.queues[id]; q != nil && len(q.waiting) > 0 {
			return true
		}
	}
	of := m.ofEpisode(id)
	for _, q := range m.queues.all {
		for _, e := range q.events {
			mine := slices.ContainsFunc(of, func(r store.Resource) bool { return r.Type == e.Type && r.ID == e.ID })
			if mine && e.Number > q.Sent && q.Status != "off" {
				return true
			}
		}
	}
	return false
}

// CountOld counts what may be removed.
func (m *Memory) CountOld(_ context.Context, what store.Old, before time.Time) (int, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return len(m.old(what, before)), nil
}

// RemoveOld removes some of it.
func (m *Memory) RemoveOld(_ context.Context, what store.Old, before time.Time, limit int, record store.Recording) (int, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	remove := m.old(what, before)
	remove = remove[:min(limit, len(remove))]
	if len(remove) == 0 {
		return 0, nil
	}
	r, err := record(len(remove))
	if err == nil {
		err = m.keep(r)
	}
	if err != nil {
		return 0, err
	}
	for _, do := range remove {
		do()
	}
	return len(remove), nil
}

// old gives the removal of each that may be removed.
func (m *Memory) old(what store.Old, before time.Time) (remove []func()) {
	switch what {
	case store.OldInbox:
		last := map[time.Time]int64{}
		for _, in := range m.model.inbox {
			last[in.Stream] = max(last[in.Stream], in.Settled)
		}
		for key, in := range m.model.inbox {
			if in.At.Before(before) && (in.Stream.IsZero() || in.Settled < last[in.Stream]) {
				remove = append(remove, func() { delete(m.model.inbox, key) })
			}
		}
	case store.OldOutbox:
		for i := range m.outbox { // rows stay, so that their places do
			row := &m.outbox[i]
			aside := slices.ContainsFunc(m.aside, func(a store.AsideRow) bool { return a.Seq == row.Seq })
			if row.sent && !row.gone && !aside && i < m.queues.matched && row.queued.Before(before) && !m.delivers(row.Seq) {
				remove = append(remove, func() { row.gone, row.Body = true, nil; delete(m.model.messages, row.MessageID) })
			}
		}
	case store.OldAudit:
		for _, r := range m.current() {
			if r.Type == "AuditEvent" && r.Updated.Before(before) {
				remove = append(remove, func() { delete(m.resources, pair{r.Type, r.ID}); delete(m.model.resources, pair{r.Type, r.ID}) })
			}
		}
	}
	return remove
}

func (m *Memory) delivers(seq int64) bool {
	for _, d := range m.destinations {
		for _, q := range d.queues {
			if slices.ContainsFunc(q.waiting, func(w waitingChange) bool { return w.Seq == seq }) {
				return true
			}
		}
	}
	return false
}
