package main

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/store"
)

// bare writes the rows of changesets in pipelined transactions, one for each, one statement
// for each table, and asks nothing: neither versions nor identities nor locks.
type bare struct{ pool *pgxpool.Pool }

// openBare connects as often as there are workers, and plans by index as the service does.
func openBare(ctx context.Context, url string, workers int) (*bare, error) {
	sign := "?"
	if strings.Contains(url, "?") {
		sign = "&"
	}
	config, err := pgxpool.ParseConfig(url + sign + fmt.Sprintf(
		"pool_max_conns=%d&pool_min_conns=%d&enable_seqscan=off&enable_hashjoin=off&enable_mergejoin=off&jit=off", workers, workers))
	if err != nil {
		return nil, err
	}
	pool, err := pgxpool.NewWithConfig(ctx, config)
	return &bare{pool}, err
}

// all gives a job for each changeset.
func (b *bare) all(changes []store.Changeset) []job {
	jobs := make([]job, len(changes))
	for i := range changes {
		jobs[i] = func(ctx context.Context) error { return b.write(ctx, &changes[i]) }
	}
	return jobs
}

// whole gives one job for all changesets of an input, one after the other.
func (b *bare) whole(changes []store.Changeset) []job {
	return []job{func(ctx context.Context) error {
		for i := range changes {
			if err := b.write(ctx, &changes[i]); err != nil {
				return err
			}
		}
		return nil
	}}
}

// write is one round trip.
func (b *bare) write(ctx context.Context, c *store.Changeset) error {
	batch := &pgx.Batch{}
	if c.Inbox != nil {
		batch.Queue(`INSERT INTO inbox (source, id, digest, answer, at) VALUES ($1, $2, $3, $4, $5)`,
			c.Inbox.Source, c.Inbox.ID, c.Inbox.Digest, c.Inbox.Answer, c.Inbox.At)
	}
	for _, e := range c.Episodes {
		bareEpisode(batch, e)
	}
	bareResources(batch, c.Resources)
	bareIndex(batch, c.Resources)
	bareOutbox(batch, c.Outbox)
	for _, n := range c.Identities {
		batch.Queue(`INSERT INTO identity (type, system, value, id) VALUES ($1, $2, $3, $4)`, n.Type, n.System, n.Value, n.ID)
	}
	return b.pool.SendBatch(ctx, batch).Close()
}

func bareEpisode(batch *pgx.Batch, e store.EpisodeChange) {
	var due *time.Time
	if !e.Due.IsZero() {
		due = &e.Due
	}
	if e.Expected == 0 {
		batch.Queue(`INSERT INTO episode (id, unit, subject, version, state, rules_version, protocol, protocol_digest, due)
VALUES ($1, $2, $3, 1, $4, $5, $6, $7, $8)`, e.ID, e.Unit, e.Subject, e.State, e.RulesVersion, e.Protocol, e.ProtocolDigest, due)
	} else {
		batch.Queue(`UPDATE episode SET unit = $2, subject = $3, version = version + 1, state = $4, rules_version = $5,
  protocol = $6, protocol_digest = $7, due = $8, leased_until = NULL WHERE id = $1`,
			e.ID, e.Unit, e.Subject, e.State, e.RulesVersion, e.Protocol, e.ProtocolDigest, due)
	}
	batch.Queue(`INSERT INTO episode_input (episode, seq, unit, kind, body, at, answer) VALUES ($1, $2, $3, $4, $5, $6, $7)`,
		e.ID, e.Input.Seq, e.Unit, e.Input.Kind, e.Input.Body, e.Input.At, e.Input.Answer)
}

func column[R, V any](rows []R, value func(R) V) []V {
	values := make([]V, len(rows))
	for i, r := range rows {
		values[i] = value(r)
	}
	return values
}

func bareResources(batch *pgx.Batch, all []store.Resource) {
	if len(all) == 0 {
		return
	}
	types := column(all, func(r store.Resource) string { return r.Type })
	ids := column(all, func(r store.Resource) string { return r.ID })
	versions := column(all, func(r store.Resource) int64 { return r.Version })
	updated := column(all, func(r store.Resource) time.Time { return r.Updated })
	units := column(all, func(r store.Resource) string { return r.Unit })
	batch.Queue(`INSERT INTO resource (type, id, version, updated, unit)
SELECT * FROM unnest($1::text[], $2::text[], $3::bigint[], $4::timestamptz[], $5::text[]) AS n (type, id, version, updated, unit)
WHERE version = 1`, types, ids, versions, updated, units)
	batch.Queue(`UPDATE resource SET version = n.version, updated = n.updated, unit = n.unit
FROM unnest($1::text[], $2::text[], $3::bigint[], $4::timestamptz[], $5::text[]) AS n (type, id, version, updated, unit)
WHERE resource.type = n.type AND resource.id = n.id AND n.version > 1`, types, ids, versions, updated, units)
	batch.Queue(`INSERT INTO resource_version (type, id, version, updated, unit, episode, body)
SELECT * FROM unnest($1::text[], $2::text[], $3::bigint[], $4::timestamptz[], $5::text[], $6::text[], $7::bytea[])`,
		types, ids, versions, updated, units,
		column(all, func(r store.Resource) string { return r.Episode }), column(all, func(r store.Resource) []byte { return r.Body }))
}

func bareIndex(batch *pgx.Batch, all []store.Resource) {
	type row struct {
		owner *store.Resource
		value *search.Value
	}
	var rows []row
	for i := range all {
		for k := range all[i].Index {
			rows = append(rows, row{&all[i], &all[i].Index[k]})
		}
	}
	batch.Queue(`DELETE FROM search_index USING unnest($1::text[], $2::text[], $3::bigint[]) AS n (type, id, version)
WHERE search_index.type = n.type AND search_index.id = n.id AND n.version > 1`,
		column(all, func(r store.Resource) string { return r.Type }), column(all, func(r store.Resource) string { return r.ID }),
		column(all, func(r store.Resource) int64 { return r.Version }))
	batch.Queue(`INSERT INTO search_index (type, id, param, kind, system, code, text, lo, hi)
SELECT * FROM unnest($1::text[], $2::text[], $3::text[], $4::integer[], $5::text[], $6::text[], $7::text[], $8::bigint[], $9::bigint[])`,
		column(rows, func(r row) string { return r.owner.Type }), column(rows, func(r row) string { return r.owner.ID }),
		column(rows, func(r row) string { return r.value.Param }),
		column(rows, func(r row) int { return int(r.value.Kind) }), column(rows, func(r row) string { return r.value.System }),
		column(rows, func(r row) string { return r.value.Code }), column(rows, func(r row) string { return r.value.Text }),
		column(rows, func(r row) int64 { return r.value.Lo }), column(rows, func(r row) int64 { return r.value.Hi }))
}

func bareOutbox(batch *pgx.Batch, all []store.Outbox) {
	if len(all) == 0 {
		return
	}
	batch.Queue(`INSERT INTO outbox (partition, episode, subject, message_id, headers, body)
SELECT p, e, s, m, h::json, b FROM unnest($1::integer[], $2::text[], $3::text[], $4::text[], $5::text[], $6::bytea[]) AS n (p, e, s, m, h, b)`,
		column(all, func(o store.Outbox) int { return o.Partition }), column(all, func(o store.Outbox) string { return o.Episode }),
		column(all, func(o store.Outbox) string { return o.Subject }), column(all, func(o store.Outbox) string { return o.MessageID }),
		column(all, func(o store.Outbox) string { return header(o.Headers) }), column(all, func(o store.Outbox) []byte { return o.Body }))
}

func header(headers map[string]string) string {
	text, err := json.Marshal(headers)
	if err != nil {
		panic(err) // a map of strings has a JSON form
	}
	return string(text)
}
