package postgres

import (
	"encoding/json"
	"time"

	"github.com/jackc/pgx/v5"

	"fhirsvc/internal/store"
)

// column is one column of rows, as an array argument of unnest.
func column[R, V any](rows []R, value func(R) V) []V {
	values := make([]V, len(rows))
	for i, r := range rows {
		values[i] = value(r)
	}
	return values
}

// each calls fn for each row of a result, after scanning it into dest.
func each(dest []any, fn func()) func(pgx.Rows) error {
	return func(rows pgx.Rows) error {
		_, err := pgx.ForEachRow(rows, dest, func() error {
			fn()
			return nil
		})
		return err
	}
}

func (t *taking) takeInbox(batch *pgx.Batch) {
	const query = `INSERT INTO inbox (source, id, digest, answer, at)
SELECT * FROM unnest($1::text[], $2::text[], $3::text[], $4::bytea[], $5::timestamptz[])
ON CONFLICT DO NOTHING
RETURNING source, id`
	if len(t.inbox) == 0 {
		return
	}
	var k inboxKey
	batch.Queue(query,
		column(t.inbox, func(in *store.Inbox) string { return in.Source }),
		column(t.inbox, func(in *store.Inbox) string { return in.ID }),
		column(t.inbox, func(in *store.Inbox) string { return in.Digest }),
		column(t.inbox, func(in *store.Inbox) []byte { return pack(in.Answer) }),
		column(t.inbox, func(in *store.Inbox) time.Time { return in.At }),
	).Query(each([]any{&k.source, &k.id}, func() { t.put[k] = true }))
}

// askInbox reads the entries that stood in the way. A statement of its own sees what
// was committed while the first one waited.
func (t *taking) askInbox(batch *pgx.Batch) {
	const query = `SELECT i.source, i.id, i.digest, i.answer
FROM inbox i JOIN unnest($1::text[], $2::text[]) AS k (source, id) USING (source, id)`
	var keys []inboxKey
	for _, in := range t.inbox {
		if k := (inboxKey{in.Source, in.ID}); !t.put[k] {
			keys = append(keys, k)
		}
	}
	if len(keys) == 0 {
		return
	}
	batch.Queue(query,
		column(keys, func(k inboxKey) string { return k.source }),
		column(keys, func(k inboxKey) string { return k.id }),
	).Query(func(rows pgx.Rows) error {
		var in store.Inbox
		_, err := pgx.ForEachRow(rows, []any{&in.Source, &in.ID, &in.Digest, &in.Answer}, func() (err error) {
			in.Answer, err = unpack(in.Answer)
			t.known[inboxKey{in.Source, in.ID}] = in
			return err
		})
		return err
	})
}

func (t *taking) takeEpisodes(batch *pgx.Batch) {
	const (
		create = `INSERT INTO episode (id, unit, subject, version, state, rules_version, protocol, protocol_digest, due)
SELECT id, unit, subject, 1, state, rules_version, protocol, protocol_digest, due
FROM unnest($1::text[], $2::text[], $3::text[], $4::bytea[], $5::integer[], $6::text[], $7::text[], $8::timestamptz[])
  AS e (id, unit, subject, state, rules_version, protocol, protocol_digest, due)
ON CONFLICT DO NOTHING
RETURNING id`
		lock = `SELECT id, version FROM episode WHERE id = ANY ($1::text[]) ORDER BY id FOR UPDATE`
	)
	var id string
	var version int64
	if len(t.created) > 0 {
		batch.Queue(create, episodeColumns(t.created)...).Query(each([]any{&id}, func() { t.put[episodeKey(id)] = true }))
	}
	if len(t.stepped) > 0 {
		batch.Queue(lock, t.stepped).Query(each([]any{&id, &version}, func() { t.episodes[id] = version }))
	}
}

// episodeColumns are the arrays of the columns of episode that a change sets.
func episodeColumns(rows []*store.EpisodeChange) []any {
	return []any{
		column(rows, func(e *store.EpisodeChange) string { return e.ID }),
		column(rows, func(e *store.EpisodeChange) string { return e.Unit }),
		column(rows, func(e *store.EpisodeChange) string { return e.Subject }),
		column(rows, func(e *store.EpisodeChange) []byte { return pack(e.State) }),
		column(rows, func(e *store.EpisodeChange) int { return e.RulesVersion }),
		column(rows, func(e *store.EpisodeChange) string { return e.Protocol }),
		column(rows, func(e *store.EpisodeChange) string { return e.ProtocolDigest }),
		column(rows, func(e *store.EpisodeChange) *time.Time { return maybe(e.Due) }),
	}
}

func (t *taking) takeHeads(batch *pgx.Batch) {
	const (
		create = `INSERT INTO resource (type, id, version, updated, unit)
SELECT * FROM unnest($1::text[], $2::text[], $3::bigint[], $4::timestamptz[], $5::text[])
ON CONFLICT DO NOTHING
RETURNING type, id`
		lock = `SELECT r.type, r.id, r.version
FROM resource r JOIN unnest($1::text[], $2::text[]) AS k (type, id) USING (type, id)
ORDER BY r.type, r.id
FOR UPDATE OF r`
	)
	var k resourceKey
	var version int64
	if len(t.newHeads) > 0 {
		batch.Queue(create, headColumns(t.newHeads)...).Query(each([]any{&k.resourceType, &k.id}, func() { t.put[k] = true }))
	}
	if len(t.oldHeads) > 0 {
		batch.Queue(lock,
			column(t.oldHeads, func(k resourceKey) string { return k.resourceType }),
			column(t.oldHeads, func(k resourceKey) string { return k.id }),
		).Query(each([]any{&k.resourceType, &k.id, &version}, func() { t.versions[k] = version }))
	}
}

// headColumns are the arrays of the columns of resource.
func headColumns(rows []head) []any {
	return []any{
		column(rows, func(h head) string { return h.key.resourceType }),
		column(rows, func(h head) string { return h.key.id }),
		column(rows, func(h head) int64 { return h.last.Version }),
		column(rows, func(h head) time.Time { return h.last.Updated }),
		column(rows, func(h head) string { return h.last.Unit }),
	}
}

// takeOutbox numbers the messages under the locks of their episodes, so that numbers
// rise in the order of the commits.
func (t *taking) takeOutbox(batch *pgx.Batch) {
	const query = `INSERT INTO outbox (partition, episode, subject, message_id, headers, body)
SELECT partition, episode, subject, message_id, headers::json, body
FROM unnest($1::integer[], $2::text[], $3::text[], $4::text[], $5::text[], $6::bytea[]) WITH ORDINALITY
  AS o (partition, episode, subject, message_id, headers, body, place)
ORDER BY place
ON CONFLICT DO NOTHING
RETURNING message_id`
	if len(t.outbox) == 0 {
		return
	}
	var id string
	batch.Queue(query,
		column(t.outbox, func(o *store.Outbox) int { return o.Partition }),
		column(t.outbox, func(o *store.Outbox) string { return o.Episode }),
		column(t.outbox, func(o *store.Outbox) string { return o.Subject }),
		column(t.outbox, func(o *store.Outbox) string { return o.MessageID }),
		column(t.outbox, func(o *store.Outbox) string { return headerText(o.Headers) }),
		column(t.outbox, func(o *store.Outbox) []byte { return o.Body }),
	).Query(each([]any{&id}, func() { t.put[messageKey(id)] = true }))
}

func headerText(headers map[string]string) string {
	text, err := json.Marshal(headers)
	if err != nil {
		panic(err) // a map of strings has a JSON form
	}
	return string(text)
}

func (t *taking) takeIdentities(batch *pgx.Batch) {
	const query = `INSERT INTO identity (type, system, value, id)
SELECT * FROM unnest($1::text[], $2::text[], $3::text[], $4::text[])
ON CONFLICT DO NOTHING
RETURNING type, system, value, id`
	if len(t.identities) == 0 {
		return
	}
	var k identityKey
	var id string
	batch.Queue(query,
		column(t.identities, func(n *store.Identity) string { return n.Type }),
		column(t.identities, func(n *store.Identity) string { return n.System }),
		column(t.identities, func(n *store.Identity) string { return n.Value }),
		column(t.identities, func(n *store.Identity) string { return n.ID }),
	).Query(each([]any{&k.resourceType, &k.system, &k.value, &id}, func() {
		t.put[k] = true
		t.holders[k] = id
	}))
}

// askIdentities reads who holds the identities that were there before.
func (t *taking) askIdentities(batch *pgx.Batch) {
	const query = `SELECT i.type, i.system, i.value, i.id
FROM identity i JOIN unnest($1::text[], $2::text[], $3::text[]) AS k (type, system, value) USING (type, system, value)`
	var keys []identityKey
	for _, n := range t.identities {
		if k := (identityKey{n.Type, n.System, n.Value}); !t.put[k] {
			keys = append(keys, k)
		}
	}
	if len(keys) == 0 {
		return
	}
	var k identityKey
	var id string
	batch.Queue(query,
		column(keys, func(k identityKey) string { return k.resourceType }),
		column(keys, func(k identityKey) string { return k.system }),
		column(keys, func(k identityKey) string { return k.value }),
	).Query(each([]any{&k.resourceType, &k.system, &k.value, &id}, func() { t.holders[k] = id }))
}
