package postgres

import "fhirsvc/internal/store"

// waves splits a call's changesets, by index and in order, so that within a wave no
// two touch the same key. A wave can then be written set by set: what one changeset
// meets does not depend on another of its wave, and one of a later wave sees what
// became of the earlier ones. Mostly there is one wave.
func waves(changes []store.Changeset) [][]int {
	if len(changes) == 1 {
		return [][]int{{0}}
	}
	var all [][]int
	next := map[any]int{} // by key: the first wave that may touch it
	for i := range changes {
		keys := keysOf(&changes[i])
		wave := 0
		for _, k := range keys {
			wave = max(wave, next[k])
		}
		for _, k := range keys {
			next[k] = wave + 1
		}
		if wave == len(all) {
			all = append(all, nil)
		}
		all[wave] = append(all[wave], i)
	}
	return all
}

// The keys that changesets can meet on, each comparable and of its own type.
type (
	inboxKey    struct{ source, id string }
	episodeKey  string
	resourceKey struct{ resourceType, id string }
	messageKey  string
	identityKey struct{ resourceType, system, value string }
)

func keysOf(c *store.Changeset) []any {
	var keys []any
	if c.Inbox != nil {
		keys = append(keys, inboxKey{c.Inbox.Source, c.Inbox.ID})
	}
	for _, e := range c.Episodes {
		keys = append(keys, episodeKey(e.ID))
	}
	for _, r := range c.Resources {
		keys = append(keys, resourceKey{r.Type, r.ID})
	}
	for _, o := range c.Outbox {
		keys = append(keys, messageKey(o.MessageID))
	}
	for _, n := range c.Identities {
		keys = append(keys, identityKey{n.Type, n.System, n.Value})
	}
	return keys
}
