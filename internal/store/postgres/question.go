package postgres

import (
	"github.com/jackc/pgx/v5"

	"fhirsvc/internal/store"
)

// at is something with the place of its changeset in the call.
type at[T any] struct {
	place int
	row   T
}

func places[T any](rows []at[T]) []int {
	return column(rows, func(r at[T]) int { return r.place })
}

// field is one column of rows with places.
func field[T, V any](rows []at[T], value func(T) V) []V {
	return column(rows, func(r at[T]) V { return value(r.row) })
}

// questions are what a wave asks of the database before it writes its rows.
type questions struct {
	*writing
	lost []int // places of what can't be stored whatever the database says
}

func (q questions) ask(batch *pgx.Batch, t *trial) {
	q.lockEpisodes(batch)
	q.lockResources(batch)
	q.try(batch, t)
}

// Rows are locked in order of their keys, episodes before resources, so that two replicas
// never wait for each other in a circle.

func (q questions) lockEpisodes(batch *pgx.Batch) {
	const query = `SELECT FROM episode WHERE id = ANY ($1::text[]) ORDER BY id FOR UPDATE`
	if _, stepped := split(q.steps, isFirst); len(stepped) > 0 {
		batch.Queue(query, field(stepped, func(e *store.EpisodeChange) string { return e.ID }))
	}
}

func (q questions) lockResources(batch *pgx.Batch) {
	const query = `SELECT FROM resource r JOIN unnest($1::text[], $2::text[]) AS k (type, id) USING (type, id)
ORDER BY r.type, r.id
FOR UPDATE OF r`
	if _, old := split(q.heads, head.isNew); len(old) > 0 {
		batch.Queue(query, field(old, head.resourceType), field(old, head.id))
	}
}

// The kinds of what stands against a changeset, as the query numbers them.
const (
	againstInbox = iota + 1
	againstVersion
	againstIdentity
)

// try asks what stands against the changesets and keeps the places of those it stands against
// in a setting that ends with the transaction: what is written next goes by it (see stands). It
// is a statement of its own, so that it sees what was committed while the locks were waited for.
func (q questions) try(batch *pgx.Batch, t *trial) {
	const query = `WITH against AS MATERIALIZED (
  SELECT k.place, 1 AS kind, '' AS type, '' AS system, '' AS value, i.digest AS other, i.answer
  FROM unnest($1::integer[], $2::text[], $3::text[]) AS k (place, source, id) JOIN inbox i USING (source, id)
  UNION ALL
  SELECT k.place, 2, '', '', '', '', NULL
  FROM unnest($4::integer[], $5::text[], $6::bigint[]) AS k (place, id, before) LEFT JOIN episode e USING (id)
  WHERE coalesce(e.version, 0) <> k.before
  UNION ALL
  SELECT k.place, 2, '', '', '', '', NULL
  FROM unnest($7::integer[], $8::text[], $9::text[], $10::bigint[]) AS k (place, type, id, before) LEFT JOIN resource r USING (type, id)
  WHERE coalesce(r.version, 0) <> k.before
  UNION ALL
  SELECT k.place, 2, '', '', '', '', NULL
  FROM unnest($11::integer[], $12::text[]) AS k (place, message_id) JOIN outbox o USING (message_id)
  UNION ALL
  SELECT k.place, 3, k.type, k.system, k.value, i.id, NULL
  FROM unnest($13::integer[], $14::text[], $15::text[], $16::text[], $17::text[]) AS k (place, type, system, value, id)
  JOIN identity i USING (type, system, value)
  WHERE i.id <> k.id
  UNION ALL
  SELECT place, 0, '', '', '', '', NULL FROM unnest($18::integer[]) AS k (place)
), lost AS MATERIALIZED (
  SELECT set_config('fhirsvc.lost', '{' || string_agg(place::text, ',') || '}', true) FROM against HAVING count(*) > 0
)
SELECT against.* FROM against, lost`
	steps, heads, outbox, identities := q.steps, q.heads, q.outbox, q.identities
	if t.trusting {
		_, steps = split(steps, isFirst)
		_, heads = split(heads, head.isNew)
		outbox, identities = nil, nil
	}
	if len(q.inbox)+len(steps)+len(heads)+len(outbox)+len(identities)+len(q.lost) == 0 {
		return
	}
	var place, kind int
	var k identityKey
	var other string
	var answer []byte
	batch.Queue(query,
		places(q.inbox), field(q.inbox, func(in *store.Inbox) string { return in.Source }), field(q.inbox, func(in *store.Inbox) string { return in.ID }),
		places(steps), field(steps, func(e *store.EpisodeChange) string { return e.ID }),
		field(steps, func(e *store.EpisodeChange) int64 { return e.Expected }),
		places(heads), field(heads, head.resourceType), field(heads, head.id), field(heads, func(h head) int64 { return h.first - 1 }),
		places(outbox), field(outbox, func(o *store.Outbox) string { return o.MessageID }),
		places(identities), field(identities, func(n *store.Identity) string { return n.Type }),
		field(identities, func(n *store.Identity) string { return n.System }), field(identities, func(n *store.Identity) string { return n.Value }),
		field(identities, func(n *store.Identity) string { return n.ID }),
		q.lost,
	).Query(func(rows pgx.Rows) error {
		_, err := pgx.ForEachRow(rows, []any{&place, &kind, &k.resourceType, &k.system, &k.value, &other, &answer}, func() error {
			return t.found(place, kind, k, other, answer)
		})
		return err
	})
}

// stands is the condition under which a row with a place is written: nothing stands against
// its changeset.
const stands = `place <> ALL ((SELECT coalesce(nullif(current_setting('fhirsvc.lost', true), ''), '{}'))::integer[])`
