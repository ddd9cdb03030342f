package postgres

import (
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/store"
)

// writing is the second pass over a wave for what was decided to go through: nothing
// in it can meet a conflict, because its keys are taken and its rows are locked.
type writing struct {
	steps      []*store.EpisodeChange // all, for their inputs
	updated    []*store.EpisodeChange // those of episodes that were there
	heads      []head                 // of resources that were there
	versions   []*store.Resource
	index      []indexRow
	quarantine []*store.Quarantine

	subscriptions []*store.Subscription // queues, whose resources are locked
}

// indexRow is a value of the search index with the resource that it finds.
type indexRow struct {
	owner *store.Resource
	value *search.Value
}

func (w *writing) add(c *store.Changeset, heads []head) {
	for i := range c.Episodes {
		e := &c.Episodes[i]
		w.steps = append(w.steps, e)
		if e.Expected > 0 {
			w.updated = append(w.updated, e)
		}
	}
	for _, h := range heads {
		if h.first > 1 {
			w.heads = append(w.heads, h)
		}
		for i := range h.last.Index {
			w.index = append(w.index, indexRow{h.last, &h.last.Index[i]})
		}
	}
	for i := range c.Resources {
		w.versions = append(w.versions, &c.Resources[i])
	}
	for i := range c.Subscriptions {
		w.subscriptions = append(w.subscriptions, &c.Subscriptions[i])
	}
	if c.Quarantine != nil {
		w.quarantine = append(w.quarantine, c.Quarantine)
	}
}

func (w *writing) queue(batch *pgx.Batch) {
	w.queueEpisodes(batch)
	w.queueInputs(batch)
	w.queueHeads(batch)
	w.queueVersions(batch)
	w.queueIndex(batch)
	w.queueSubscriptions(batch)
	w.queueQuarantine(batch)
}

func (w *writing) queueEpisodes(batch *pgx.Batch) {
	const query = `UPDATE episode SET unit = e.unit, subject = e.subject, version = version + 1, state = e.state,
  rules_version = e.rules_version, protocol = e.protocol, protocol_digest = e.protocol_digest, due = e.due, leased_until = NULL
FROM unnest($1::text[], $2::text[], $3::text[], $4::bytea[], $5::integer[], $6::text[], $7::text[], $8::timestamptz[], $9::bigint[])
  AS e (id, unit, subject, state, rules_version, protocol, protocol_digest, due, expected)
WHERE episode.id = e.id AND version = e.expected`
	if len(w.updated) == 0 {
		return
	}
	expected := column(w.updated, func(e *store.EpisodeChange) int64 { return e.Expected })
	batch.Queue(query, append(episodeColumns(w.updated), expected)...).Exec(exactly(len(w.updated)))
}

// exactly fails unless a statement changed n rows: they are locked, and their versions
// were looked at under the lock, so another number is a fault of ours and ends all.
func exactly(n int) func(pgconn.CommandTag) error {
	return func(tag pgconn.CommandTag) error {
		if tag.RowsAffected() == int64(n) {
			return nil
		}
		return outcome.Fail(outcome.CodeException, "commit", "%d of %d locked rows changed", tag.RowsAffected(), n)
	}
}

func (w *writing) queueInputs(batch *pgx.Batch) {
	const query = `INSERT INTO episode_input (episode, seq, unit, kind, body, at, answer)
SELECT * FROM unnest($1::text[], $2::bigint[], $3::text[], $4::text[], $5::bytea[], $6::timestamptz[], $7::bytea[])`
	if len(w.steps) == 0 {
		return
	}
	batch.Queue(query,
		column(w.steps, func(e *store.EpisodeChange) string { return e.ID }),
		column(w.steps, func(e *store.EpisodeChange) int64 { return e.Input.Seq }),
		column(w.steps, func(e *store.EpisodeChange) string { return e.Unit }),
		column(w.steps, func(e *store.EpisodeChange) string { return e.Input.Kind }),
		column(w.steps, func(e *store.EpisodeChange) []byte { return pack(e.Input.Body) }),
		column(w.steps, func(e *store.EpisodeChange) time.Time { return e.Input.At }),
		column(w.steps, func(e *store.EpisodeChange) []byte { return pack(e.Input.Answer) }),
	)
}

// queueHeads moves resources to their new version and empties their index.
func (w *writing) queueHeads(batch *pgx.Batch) {
	const (
		update = `UPDATE resource SET version = h.version, updated = h.updated, unit = h.unit
FROM unnest($1::text[], $2::text[], $3::bigint[], $4::timestamptz[], $5::text[]) AS h (type, id, version, updated, unit)
WHERE resource.type = h.type AND resource.id = h.id`
		forget = `DELETE FROM search_index USING unnest($1::text[], $2::text[]) AS h (type, id)
WHERE search_index.type = h.type AND search_index.id = h.id`
	)
	if len(w.heads) == 0 {
		return
	}
	columns := headColumns(w.heads)
	batch.Queue(update, columns...).Exec(exactly(len(w.heads)))
	batch.Queue(forget, columns[:2]...)
}

func (w *writing) queueVersions(batch *pgx.Batch) {
	const query = `INSERT INTO resource_version (type, id, version, updated, unit, episode, body)
SELECT * FROM unnest($1::text[], $2::text[], $3::bigint[], $4::timestamptz[], $5::text[], $6::text[], $7::bytea[])`
	if len(w.versions) == 0 {
		return
	}
	batch.Queue(query,
		column(w.versions, func(r *store.Resource) string { return r.Type }),
		column(w.versions, func(r *store.Resource) string { return r.ID }),
		column(w.versions, func(r *store.Resource) int64 { return r.Version }),
		column(w.versions, func(r *store.Resource) time.Time { return r.Updated }),
		column(w.versions, func(r *store.Resource) string { return r.Unit }),
		column(w.versions, func(r *store.Resource) string { return r.Episode }),
		column(w.versions, func(r *store.Resource) []byte { return pack(r.Body) }),
	)
}

func (w *writing) queueIndex(batch *pgx.Batch) {
	const query = `INSERT INTO search_index (type, id, param, kind, system, code, text, lo, hi)
SELECT * FROM unnest($1::text[], $2::text[], $3::text[], $4::integer[], $5::text[], $6::text[], $7::text[],
  $8::bigint[], $9::bigint[])`
	if len(w.index) == 0 {
		return
	}
	batch.Queue(query,
		column(w.index, func(x indexRow) string { return x.owner.Type }),
		column(w.index, func(x indexRow) string { return x.owner.ID }),
		column(w.index, func(x indexRow) string { return x.value.Param }),
		column(w.index, func(x indexRow) int { return int(x.value.Kind) }),
		column(w.index, func(x indexRow) string { return x.value.System }),
		column(w.index, func(x indexRow) string { return x.value.Code }),
		column(w.index, func(x indexRow) string { return x.value.Text }),
		column(w.index, func(x indexRow) int64 { return x.value.Lo }),
		column(w.index, func(x indexRow) int64 { return x.value.Hi }),
	)
}

// queueQuarantine keeps inputs that we could not handle; the first under an id stays.
func (w *writing) queueQuarantine(batch *pgx.Batch) {
	const query = `INSERT INTO quarantine (id, episode, kind, body, fault, at)
SELECT * FROM unnest($1::text[], $2::text[], $3::text[], $4::bytea[], $5::text[], $6::timestamptz[])
ON CONFLICT DO NOTHING`
	if len(w.quarantine) == 0 {
		return
	}
	batch.Queue(query,
		column(w.quarantine, func(q *store.Quarantine) string { return q.ID }),
		column(w.quarantine, func(q *store.Quarantine) string { return q.Episode }),
		column(w.quarantine, func(q *store.Quarantine) string { return q.Kind }),
		column(w.quarantine, func(q *store.Quarantine) []byte { return q.Body }),
		column(w.quarantine, func(q *store.Quarantine) string { return q.Fault }),
		column(w.quarantine, func(q *store.Quarantine) time.Time { return q.At }),
	)
}
