package storetest

import (
	"maps"

	"fhirsvc/internal/store"
)

// model is the dumb store that Commit must agree with: maps, one changeset after the
// other, each on a copy that is kept only if nothing stood against it.
type model struct {
	inbox      map[pair]store.Inbox // by source and id
	episodes   map[string]int64
	resources  map[pair]int64 // by type and id
	identities map[business]string
	messages   map[string]bool
}

type (
	pair     [2]string
	business [3]string // type, system and value of an identifier
)

func named(n store.Identity) business { return business{n.Type, n.System, n.Value} }

func newModel() model {
	return model{
		inbox: map[pair]store.Inbox{}, episodes: map[string]int64{}, resources: map[pair]int64{},
		identities: map[business]string{}, messages: map[string]bool{},
	}
}

func (m *model) commit(changes []store.Changeset) []store.Result {
	var results []store.Result
	for _, c := range changes {
		next := model{
			inbox: maps.Clone(m.inbox), episodes: maps.Clone(m.episodes), resources: maps.Clone(m.resources),
			identities: maps.Clone(m.identities), messages: maps.Clone(m.messages),
		}
		result := next.apply(c)
		if result.Status == store.Committed {
			*m = next
		}
		results = append(results, result)
	}
	return results
}

func (m *model) apply(c store.Changeset) store.Result {
	if c.Inbox != nil {
		key := pair{c.Inbox.Source, c.Inbox.ID}
		known, ok := m.inbox[key]
		switch {
		case ok && known.Digest != c.Inbox.Digest:
			return store.Result{Status: store.Differs}
		case ok:
			return store.Result{Status: store.Duplicate, Answer: known.Answer}
		}
		m.inbox[key] = *c.Inbox
	}
	for _, e := range c.Episodes {
		if m.episodes[e.ID] != e.Expected {
			return store.Result{Status: store.Conflict}
		}
		m.episodes[e.ID]++
	}
	for _, r := range c.Resources {
		if m.resources[pair{r.Type, r.ID}] != r.Follows() {
			return store.Result{Status: store.Conflict}
		}
		m.resources[pair{r.Type, r.ID}] = r.Version
	}
	for _, o := range c.Outbox {
		if m.messages[o.MessageID] {
			return store.Result{Status: store.Conflict}
		}
		m.messages[o.MessageID] = true
	}
	return m.claim(c.Identities)
}

func (m *model) claim(claims []store.Identity) store.Result {
	var taken []store.Identity
	for _, n := range claims {
		holder, held := m.identities[named(n)]
		if held && holder != n.ID {
			taken = append(taken, store.Identity{Type: n.Type, System: n.System, Value: n.Value, ID: holder})
		}
		if !held {
			m.identities[named(n)] = n.ID
		}
	}
	if taken != nil {
		return store.Result{Status: store.Taken, Taken: taken}
	}
	return store.Result{Status: store.Committed}
}
