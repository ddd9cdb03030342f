package scale

import (
	"context"
	"fmt"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"golang.org/x/sync/errgroup"
)

// setBase keeps all rows that are there for multiply.
func setBase(t testing.TB, url string) {
	t.Helper()
	const prepare = `CREATE SCHEMA base;
-- Nothing in it may be less than immutable, or it is called for each value instead of being put in its place.
CREATE FUNCTION base.other(t text, n integer) RETURNS text LANGUAGE sql IMMUTABLE AS $$
  SELECT CASE WHEN t LIKE '________-____-____-____-____________%' THEN md5(left(t, 36) || n::text)::uuid::text || substr(t, 37)
    ELSE replace(t, '-100', '-' || lpad((100 + n)::text, 3, '0')) END $$`
	run(t, url, prepare)
	for _, name := range tables {
		run(t, url, fmt.Sprintf(`CREATE TABLE base.%[1]s AS SELECT * FROM %[1]s`, name))
	}
}

// multiply adds copies number from to to of the base: in the database itself, which is several
// times faster, under ids and numbers of their own and on other days. Bodies stay as they are,
// so that these copies can be searched and counted but not charted on. The outbox is left out:
// it is purged after days.
func multiply(t testing.TB, url string, from, to int) {
	t.Helper()
	defer setAside(t, url)()
	// $1 is the number of the copy, $2 how far back in time it is.
	copies := []string{
		`INSERT INTO inbox (source, id, digest, answer, at)
SELECT source, base.other(id, $1) || CASE WHEN base.other(id, $1) = id THEN '/' || $1 ELSE '' END, digest, answer, at - $2::interval FROM base.inbox`,
		`INSERT INTO episode (id, unit, subject, version, state, rules_version, protocol, protocol_digest, due)
SELECT base.other(id, $1), unit, base.other(subject, $1), version, state, rules_version, protocol, protocol_digest, due - $2::interval FROM base.episode`,
		`INSERT INTO episode_input (episode, seq, unit, kind, body, at, answer)
SELECT base.other(episode, $1), seq, unit, kind, body, at - $2::interval, answer FROM base.episode_input`,
		`INSERT INTO resource (type, id, version, updated, unit)
SELECT type, base.other(id, $1), version, updated - $2::interval, unit FROM base.resource`,
		`INSERT INTO resource_version (type, id, version, updated, unit, episode, body)
SELECT type, base.other(id, $1), version, updated - $2::interval, unit, base.other(episode, $1), body FROM base.resource_version`,
		`INSERT INTO identity (type, system, value, id)
SELECT type, system, base.other(value, $1), base.other(id, $1) FROM base.identity WHERE $2::interval IS NOT NULL`,
		`INSERT INTO search_index (lo, hi, kind, type, param, system, code, text, id, unit)
SELECT CASE WHEN kind = 3 AND lo > 0 THEN lo - extract(epoch FROM $2::interval)::bigint * 1000000000 ELSE lo END,
  CASE WHEN kind = 3 AND hi < 4000000000000000000 THEN hi - extract(epoch FROM $2::interval)::bigint * 1000000000 ELSE hi END,
  kind, type, param, system, base.other(code, $1), base.other(text, $1), base.other(id, $1), unit FROM base.search_index`,
	}
	var g errgroup.Group
	g.SetLimit(2)
	for n := from; n <= to; n++ {
		back := fmt.Sprintf("%d hours", 7*n)
		for _, sql := range copies {
			g.Go(func() error {
				ctx := context.Background()
				conn, err := pgx.Connect(ctx, url)
				if err != nil {
					return err
				}
				defer conn.Close(ctx) //nolint:errcheck // its work is done or its error told
				if _, err := conn.Exec(ctx, `SET synchronous_commit = off; SET jit = off`); err != nil {
					return err
				}
				_, err = conn.Exec(ctx, sql, pgx.QueryExecModeExec, n, back)
				return err
			})
		}
	}
	require.NoError(t, g.Wait())
}
