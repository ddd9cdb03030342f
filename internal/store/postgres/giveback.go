package postgres

import (
	"github.com/jackc/pgx/v5"

	"fhirsvc/internal/store"
)

// giving takes back the rows that the first pass inserted for changesets that then met
// a conflict. Nobody else has seen them: the transaction still runs.
type giving struct {
	inbox      []inboxKey
	episodes   []string
	resources  []resourceKey
	messages   []string
	identities []identityKey
}

func (g *giving) add(c *store.Changeset, put map[any]bool) {
	for _, key := range keysOf(c) {
		if !put[key] {
			continue
		}
		delete(put, key) // once, when the changeset names it twice
		switch k := key.(type) {
		case inboxKey:
			g.inbox = append(g.inbox, k)
		case episodeKey:
			g.episodes = append(g.episodes, string(k))
		case resourceKey:
			g.resources = append(g.resources, k)
		case messageKey:
			g.messages = append(g.messages, string(k))
		case identityKey:
			g.identities = append(g.identities, k)
		}
	}
}

func (g *giving) queue(batch *pgx.Batch) {
	if len(g.inbox) > 0 {
		batch.Queue(`DELETE FROM inbox USING unnest($1::text[], $2::text[]) AS k (source, id)
WHERE inbox.source = k.source AND inbox.id = k.id`,
			column(g.inbox, func(k inboxKey) string { return k.source }),
			column(g.inbox, func(k inboxKey) string { return k.id }))
	}
	if len(g.episodes) > 0 {
		batch.Queue(`DELETE FROM episode WHERE id = ANY ($1::text[])`, g.episodes)
	}
	if len(g.resources) > 0 {
		batch.Queue(`DELETE FROM resource USING unnest($1::text[], $2::text[]) AS k (type, id)
WHERE resource.type = k.type AND resource.id = k.id`,
			column(g.resources, func(k resourceKey) string { return k.resourceType }),
			column(g.resources, func(k resourceKey) string { return k.id }))
	}
	if len(g.messages) > 0 {
		batch.Queue(`DELETE FROM outbox WHERE message_id = ANY ($1::text[])`, g.messages)
	}
	if len(g.identities) > 0 {
		batch.Queue(`DELETE FROM identity USING unnest($1::text[], $2::text[], $3::text[]) AS k (type, system, value)
WHERE identity.type = k.type AND identity.system = k.system AND identity.value = k.value`,
			column(g.identities, func(k identityKey) string { return k.resourceType }),
			column(g.identities, func(k identityKey) string { return k.system }),
			column(g.identities, func(k identityKey) string { return k.value }))
	}
}
