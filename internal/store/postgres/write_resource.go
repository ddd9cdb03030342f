package postgres

import (
	"time"

	"github.com/jackc/pgx/v5"

	"fhirsvc/internal/store"
	"fhirsvc/internal/store/searchsql"
)

// queueHeads adds new resources, moves the others to their new version and empties their
// index.
func (w *writing) queueHeads(batch *pgx.Batch) {
	const (
		rows = `unnest($1::integer[], $2::text[], $3::text[], $4::bigint[], $5::timestamptz[], $6::text[])
  AS n (place, type, id, version, updated, unit)
WHERE ` + stands
		create = `INSERT INTO resource (type, id, version, updated, unit)
SELECT type, id, version, updated, unit FROM ` + rows
		update = `UPDATE resource SET version = n.version, updated = n.updated, unit = n.unit
FROM ` + rows + ` AND resource.type = n.type AND resource.id = n.id`
		forget = `DELETE FROM search_index USING unnest($1::integer[], $2::text[], $3::text[]) AS n (place, type, id)
WHERE ` + stands + ` AND search_index.type = n.type AND search_index.id = n.id`
	)
	fresh, old := split(w.heads, head.isNew)
	if len(fresh) > 0 {
		batch.Queue(create, headColumns(fresh)...)
	}
	if len(old) > 0 {
		columns := headColumns(old)
		batch.Queue(update, columns...)
		batch.Queue(forget, columns[:3]...)
	}
}

// headColumns are the arrays of the columns of resource.
func headColumns(rows []at[head]) []any {
	return []any{
		places(rows),
		field(rows, head.resourceType),
		field(rows, head.id),
		field(rows, func(h head) int64 { return h.last.Version }),
		field(rows, func(h head) time.Time { return h.last.Updated }),
		field(rows, func(h head) string { return h.last.Unit }),
	}
}

func (w *writing) queueVersions(batch *pgx.Batch) {
	const query = `INSERT INTO resource_version (type, id, version, updated, unit, episode, body)
SELECT type, id, version, updated, unit, episode, body
FROM unnest($1::integer[], $2::text[], $3::text[], $4::bigint[], $5::timestamptz[], $6::text[], $7::text[], $8::bytea[])
  AS n (place, type, id, version, updated, unit, episode, body)
WHERE ` + stands
	if len(w.versions) == 0 {
		return
	}
	batch.Queue(query, places(w.versions),
		field(w.versions, func(r *store.Resource) string { return r.Type }),
		field(w.versions, func(r *store.Resource) string { return r.ID }),
		field(w.versions, func(r *store.Resource) int64 { return r.Version }),
		field(w.versions, func(r *store.Resource) time.Time { return r.Updated }),
		field(w.versions, func(r *store.Resource) string { return r.Unit }),
		field(w.versions, func(r *store.Resource) string { return r.Episode }),
		field(w.versions, func(r *store.Resource) []byte { return w.packing.pack(r.Body) }),
	)
}

func (w *writing) queueIndex(batch *pgx.Batch) {
	const query = `INSERT INTO search_index (type, id, unit, param, kind, system, code, text, lo, hi)
SELECT type, id, unit, param, kind, system, code, text, lo, hi
FROM unnest($1::integer[], $2::text[], $3::text[], $4::text[], $5::text[], $6::integer[], $7::text[], $8::text[], $9::text[],
  $10::bigint[], $11::bigint[]) AS n (place, type, id, unit, param, kind, system, code, text, lo, hi)
WHERE ` + stands
	if len(w.index) == 0 {
		return
	}
	batch.Queue(query, places(w.index),
		field(w.index, func(x indexRow) string { return x.owner.Type }),
		field(w.index, func(x indexRow) string { return x.owner.ID }),
		field(w.index, func(x indexRow) string { return searchsql.UnitOf(x.owner, x.value) }),
		field(w.index, func(x indexRow) string { return x.value.Param }),
		field(w.index, func(x indexRow) int { return int(x.value.Kind) }),
		field(w.index, func(x indexRow) string { return x.value.System }),
		field(w.index, func(x indexRow) string { return x.value.Code }),
		field(w.index, func(x indexRow) string { return x.value.Text }),
		field(w.index, func(x indexRow) int64 { return x.value.Lo }),
		field(w.index, func(x indexRow) int64 { return x.value.Hi }),
	)
}
