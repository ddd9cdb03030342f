package postgres

import (
	"context"

	"github.com/jackc/pgx/v5"

	"fhirsvc/internal/store"
)

// Gather gives what is stored of what an input is about, in one round trip.
func (s *Store) Gather(ctx context.Context, w store.Wanted) (store.Gathered, error) {
	var g store.Gathered
	batch := &pgx.Batch{}
	gatherAnswer(batch, w, &g)
	gatherHolders(batch, w, &g)
	gatherLinks(batch, w, &g)
	gatherResources(batch, w, &g)
	gatherEpisodes(batch, w, &g)
	gatherPurged(batch, w, &g)
	err := s.pool.SendBatch(ctx, batch).Close()
	return g, fault("gather", err)
}

// The arrays that tell what is wanted, as every statement has them first.
const (
	wantedIdentities = `unnest($1::text[], $2::text[], $3::text[]) AS k (type, system, value)`
	// gatheredSubjects are the ids of the Patients: those wanted, and those that hold an identity.
	gatheredSubjects = `SELECT unnest($4::text[]) AS id
  UNION SELECT i.id FROM identity i JOIN ` + wantedIdentities + ` USING (type, system, value) WHERE i.type = 'Patient'`
)

func wantedColumns(w store.Wanted) []any {
	return []any{
		column(w.Identities, func(i store.Identity) string { return i.Type }),
		column(w.Identities, func(i store.Identity) string { return i.System }),
		column(w.Identities, func(i store.Identity) string { return i.Value }),
		w.Subjects,
	}
}

// wantedResources are two more arrays.
func wantedResources(w store.Wanted) []any {
	return append(wantedColumns(w),
		column(w.Resources, func(n store.Name) string { return n.Type }), column(w.Resources, func(n store.Name) string { return n.ID }))
}

func gatherAnswer(batch *pgx.Batch, w store.Wanted, g *store.Gathered) {
	if w.Input == (store.InputKey{}) {
		return
	}
	batch.Queue(answerQuery, w.Input.Source, w.Input.ID).Query(func(rows pgx.Rows) (err error) {
		g.Answered, err = toAnswer(rows)
		return err
	})
}

func gatherHolders(batch *pgx.Batch, w store.Wanted, g *store.Gathered) {
	const query = `SELECT i.type, i.system, i.value, i.id FROM identity i JOIN ` + wantedIdentities + ` USING (type, system, value)`
	if len(w.Identities) == 0 {
		return
	}
	batch.Queue(query, wantedColumns(w)[:3]...).Query(func(rows pgx.Rows) (err error) {
		g.Holders, err = pgx.CollectRows(rows, pgx.RowToStructByName[store.Identity])
		return err
	})
}

func gatherLinks(batch *pgx.Batch, w store.Wanted, g *store.Gathered) {
	if len(w.Identities)+len(w.Subjects) == 0 {
		return
	}
	const query = `WITH subject AS MATERIALIZED (` + gatheredSubjects + `)
SELECT x.id AS "from", x.code AS "to" FROM subject s JOIN search_index x
  ON x.type = 'Patient' AND x.param = 'link' AND x.kind = 2 AND x.code = s.id AND x.system = 'Patient'`
	batch.Queue(query, wantedColumns(w)...).Query(func(rows pgx.Rows) (err error) {
		g.Links, err = pgx.CollectRows(rows, pgx.RowToStructByName[store.Link])
		return err
	})
}

func gatherResources(batch *pgx.Batch, w store.Wanted, g *store.Gathered) {
	if len(w.Identities)+len(w.Subjects)+len(w.Resources) == 0 {
		return
	}
	const query = `WITH subject AS MATERIALIZED (` + gatheredSubjects + `), name AS MATERIALIZED (
  SELECT * FROM unnest($5::text[], $6::text[]) AS n (type, id)
  UNION SELECT i.type, i.id FROM identity i JOIN ` + wantedIdentities + ` USING (type, system, value)
  UNION SELECT 'Patient', id FROM subject
  UNION SELECT 'Patient', x.id FROM subject s JOIN search_index x
    ON x.type = 'Patient' AND x.param = 'link' AND x.kind = 2 AND x.code = s.id AND x.system = 'Patient'
)
SELECT v.type, v.id, v.version, v.updated, v.unit, v.episode, v.body
FROM name JOIN resource r USING (type, id) JOIN resource_version v USING (type, id, version)`
	batch.Queue(query, wantedResources(w)...).Query(func(rows pgx.Rows) (err error) {
		g.Resources, err = pgx.CollectRows(rows, toResource)
		return err
	})
}

func gatherEpisodes(batch *pgx.Batch, w store.Wanted, g *store.Gathered) {
	const query = `WITH subject AS MATERIALIZED (` + gatheredSubjects + `), chosen AS MATERIALIZED (
  SELECT e.id FROM subject s JOIN episode e ON e.subject = s.id
  UNION SELECT unnest($7::text[])
  UNION SELECT v.episode FROM unnest($5::text[], $6::text[]) AS n (type, id) JOIN resource r USING (type, id)
    JOIN resource_version v USING (type, id, version)
)
SELECT e.id, e.unit, e.subject, e.version, e.state, e.rules_version, e.protocol, e.protocol_digest, e.due
FROM chosen JOIN episode e USING (id) ORDER BY e.number`
	batch.Queue(query, append(wantedResources(w), w.Episodes)...).Query(func(rows pgx.Rows) (err error) {
		g.Episodes, err = pgx.CollectRows(rows, toEpisode)
		return err
	})
}

func gatherPurged(batch *pgx.Batch, w store.Wanted, g *store.Gathered) {
	if len(w.Episodes) == 0 {
		return
	}
	batch.Queue(`SELECT id FROM purged WHERE id = ANY ($1::text[])`, w.Episodes).Query(func(rows pgx.Rows) (err error) {
		g.Purged, err = pgx.CollectRows(rows, pgx.RowTo[string])
		return err
	})
}
