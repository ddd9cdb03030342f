package postgres

import (
	"encoding/json"
	"slices"
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

func (w *writing) queueInbox(batch *pgx.Batch) {
	const query = `INSERT INTO inbox (source, id, digest, answer, at, stream, settled)
SELECT source, id, digest, answer, at, stream, settled
FROM unnest($1::integer[], $2::text[], $3::text[], $4::text[], $5::bytea[], $6::timestamptz[], $7::timestamptz[], $8::bigint[])
  AS n (place, source, id, digest, answer, at, stream, settled)
WHERE ` + stands
	if len(w.inbox) == 0 {
		return
	}
	batch.Queue(query, places(w.inbox),
		field(w.inbox, func(in *store.Inbox) string { return in.Source }),
		field(w.inbox, func(in *store.Inbox) string { return in.ID }),
		field(w.inbox, func(in *store.Inbox) string { return in.Digest }),
		field(w.inbox, func(in *store.Inbox) []byte { return w.packing.pack(in.Answer) }),
		field(w.inbox, func(in *store.Inbox) time.Time { return in.At }),
		field(w.inbox, func(in *store.Inbox) *time.Time { return maybe(in.Stream) }),
		field(w.inbox, func(in *store.Inbox) *int64 { return settled(in.Position) }),
	)
}

// settled is the number of a position, NULL for none.
func settled(p store.Position) *int64 {
	if p.Stream.IsZero() {
		return nil
	}
	return &p.Settled
}

func (w *writing) queueEpisodes(batch *pgx.Batch) {
	const (
		rows = `unnest($1::integer[], $2::text[], $3::text[], $4::text[], $5::bytea[], $6::integer[], $7::text[], $8::text[], $9::timestamptz[])
  AS n (place, id, unit, subject, state, rules_version, protocol, protocol_digest, due)
WHERE ` + stands
		create = `INSERT INTO episode (id, unit, subject, version, state, rules_version, protocol, protocol_digest, due)
SELECT id, unit, subject, 1, state, rules_version, protocol, protocol_digest, due FROM ` + rows
		update = `UPDATE episode SET unit = n.unit, subject = n.subject, version = version + 1, state = n.state,
  rules_version = n.rules_version, protocol = n.protocol, protocol_digest = n.protocol_digest, due = n.due, leased_until = NULL
FROM ` + rows + ` AND episode.id = n.id`
	)
	fresh, stepped := split(w.steps, isFirst)
	if len(fresh) > 0 {
		batch.Queue(create, w.episodeColumns(fresh)...)
	}
	if len(stepped) > 0 {
		batch.Queue(update, w.episodeColumns(stepped)...)
	}
}

// isFirst reports whether a step begins its episode.
func isFirst(e *store.EpisodeChange) bool { return e.Expected == 0 }

// split gives those rows that are new and the others.
func split[T any](rows []at[T], isNew func(T) bool) (fresh, old []at[T]) {
	for _, r := range rows {
		if isNew(r.row) {
			fresh = append(fresh, r)
		} else {
			old = append(old, r)
		}
	}
	return fresh, old
}

// episodeColumns are the arrays of the columns of episode that a change sets.
func (w *writing) episodeColumns(rows []at[*store.EpisodeChange]) []any {
	return []any{
		places(rows),
		field(rows, func(e *store.EpisodeChange) string { return e.ID }),
		field(rows, func(e *store.EpisodeChange) string { return e.Unit }),
		field(rows, func(e *store.EpisodeChange) string { return e.Subject }),
		field(rows, func(e *store.EpisodeChange) []byte { return w.packing.pack(e.State) }),
		field(rows, func(e *store.EpisodeChange) int { return e.RulesVersion }),
		field(rows, func(e *store.EpisodeChange) string { return e.Protocol }),
		field(rows, func(e *store.EpisodeChange) string { return e.ProtocolDigest }),
		field(rows, func(e *store.EpisodeChange) *time.Time { return maybe(e.Due) }),
	}
}

func (w *writing) queueInputs(batch *pgx.Batch) {
	const query = `INSERT INTO episode_input (episode, seq, unit, kind, body, at, answer)
SELECT episode, seq, unit, kind, body, at, answer
FROM unnest($1::integer[], $2::text[], $3::bigint[], $4::text[], $5::text[], $6::bytea[], $7::timestamptz[], $8::bytea[])
  AS n (place, episode, seq, unit, kind, body, at, answer)
WHERE ` + stands
	if len(w.steps) == 0 {
		return
	}
	batch.Queue(query, places(w.steps),
		field(w.steps, func(e *store.EpisodeChange) string { return e.ID }),
		field(w.steps, func(e *store.EpisodeChange) int64 { return e.Input.Seq }),
		field(w.steps, func(e *store.EpisodeChange) string { return e.Unit }),
		field(w.steps, func(e *store.EpisodeChange) string { return e.Input.Kind }),
		field(w.steps, func(e *store.EpisodeChange) []byte { return w.packing.pack(e.Input.Body) }),
		field(w.steps, func(e *store.EpisodeChange) time.Time { return e.Input.At }),
		field(w.steps, func(e *store.EpisodeChange) []byte { return w.packing.pack(e.Input.Answer) }),
	)
}

func (w *writing) queueOutbox(batch *pgx.Batch) {
	const query = `INSERT INTO outbox (partition, episode, subject, message_id, headers, body)
SELECT partition, episode, subject, message_id, headers::json, body
FROM unnest($1::integer[], $2::integer[], $3::text[], $4::text[], $5::text[], $6::text[], $7::bytea[]) WITH ORDINALITY
  AS n (place, partition, episode, subject, message_id, headers, body, turn)
WHERE ` + stands + `
ORDER BY turn`
	if len(w.outbox) == 0 {
		return
	}
	batch.Queue(query, places(w.outbox),
		field(w.outbox, func(o *store.Outbox) int { return o.Partition }),
		field(w.outbox, func(o *store.Outbox) string { return o.Episode }),
		field(w.outbox, func(o *store.Outbox) string { return o.Subject }),
		field(w.outbox, func(o *store.Outbox) string { return o.MessageID }),
		field(w.outbox, func(o *store.Outbox) string { return headerText(o.Headers) }),
		field(w.outbox, func(o *store.Outbox) []byte { return o.Body }),
	)
}

func headerText(headers map[string]string) string {
	text, err := json.Marshal(headers)
	if err != nil {
		panic(err) // a map of strings has a JSON form
	}
	return string(text)
}

// queueIdentities leaves out what the same resource holds already. What another one holds
// stood against the changeset, or came to be held since then: then the insert fails.
func (w *writing) queueIdentities(batch *pgx.Batch) {
	const query = `INSERT INTO identity (type, system, value, id)
SELECT type, system, value, id
FROM unnest($1::integer[], $2::text[], $3::text[], $4::text[], $5::text[]) AS n (place, type, system, value, id)
WHERE ` + stands + `
  AND NOT EXISTS (SELECT FROM identity i WHERE i.type = n.type AND i.system = n.system AND i.value = n.value AND i.id = n.id)`
	claims := slices.CompactFunc(w.identities, func(a, b at[*store.Identity]) bool { return a.place == b.place && *a.row == *b.row })
	if len(claims) == 0 {
		return
	}
	batch.Queue(query, places(claims),
		field(claims, func(n *store.Identity) string { return n.Type }),
		field(claims, func(n *store.Identity) string { return n.System }),
		field(claims, func(n *store.Identity) string { return n.Value }),
		field(claims, func(n *store.Identity) string { return n.ID }),
	)
}

// queueQuarantine keeps inputs that we could not handle; the first under an id stays.
func (w *writing) queueQuarantine(batch *pgx.Batch) {
	const query = `INSERT INTO quarantine (id, episode, kind, body, fault, at)
SELECT id, episode, kind, body, fault, at
FROM unnest($1::integer[], $2::text[], $3::text[], $4::text[], $5::bytea[], $6::text[], $7::timestamptz[])
  AS n (place, id, episode, kind, body, fault, at)
WHERE ` + stands + `
ON CONFLICT DO NOTHING`
	if len(w.quarantine) == 0 {
		return
	}
	batch.Queue(query, places(w.quarantine),
		field(w.quarantine, func(q *store.Quarantine) string { return q.ID }),
		field(w.quarantine, func(q *store.Quarantine) string { return q.Episode }),
		field(w.quarantine, func(q *store.Quarantine) string { return q.Kind }),
		field(w.quarantine, func(q *store.Quarantine) []byte { return q.Body }),
		field(w.quarantine, func(q *store.Quarantine) string { return q.Fault }),
		field(w.quarantine, func(q *store.Quarantine) time.Time { return q.At }),
	)
}
