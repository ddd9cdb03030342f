package scale

import (
	"flag"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
)

var (
	base   = flag.Int("scale.base", 0, "how many finished episodes are copied row by row, a tenth as many open ones beside; 0: TestScale is not run")
	copies = flag.String("scale.copies", "0,1,3", "how often the base is copied within the database, at three sizes: 1000 and 0,4,49 end with 50,000 finished and 5,000 open")
	rounds = flag.Int("scale.rounds", 0, "how often the full database and a nearly empty one are asked the same; 0: not at all")
)

// sizes gives the bytes of each table and of its indexes, without the outbox, which is purged
// after days.
func sizes(t testing.TB, conn *pgx.Conn) (table, index map[string]int64) {
	t.Helper()
	table, index = map[string]int64{}, map[string]int64{}
	for _, name := range tables {
		if name == "outbox" {
			continue
		}
		var heap, all int64
		require.NoError(t, conn.QueryRow(t.Context(), `SELECT pg_table_size($1::text), pg_indexes_size($1::text)`, "public."+name).Scan(&heap, &all))
		table[name], index[name] = heap, all
	}
	return table, index
}

// TestScale fills a database to three sizes and says what an episode takes. What it takes is
// the same at each, so that more of them can be reckoned. With -scale.rounds it then asks what
// a ward asks, and the same of a database that holds that ward's open episodes alone.
func TestScale(t *testing.T) {
	if *base == 0 {
		t.Skip("it takes minutes and gigabytes: make scale")
	}
	now := time.Date(2026, 6, 1, 14, 0, 0, 0, time.UTC)
	played := newUnit(t, newDatabase(t))
	f := newFiller(t, played, 4, now)
	full := newDatabase(t)
	conn := connect(t, full)
	open := max(*base/10, 1)
	f.fill(t, full, *base, open, 20)
	run(t, full, `UPDATE episode SET due = due + interval '10 years'`) // what serves here has nothing to do meanwhile
	setBase(t, full)
	binary := buildBinary(t)
	var each []float64
	done := 0
	for text := range strings.SplitSeq(*copies, ",") {
		var to int
		_, err := fmt.Sscan(text, &to)
		require.NoError(t, err)
		multiply(t, full, done+1, to)
		done = to
		n := int64((*base + open) * (to + 1))
		table, index := sizes(t, conn)
		var sum int64
		for name := range table {
			sum += table[name] + index[name]
		}
		each = append(each, float64(sum)/float64(n))
		t.Logf("%d finished, %d open: %.0f kB an episode, %d MB", *base*(to+1), open*(to+1), float64(sum)/float64(n)/1000, sum/1_000_000)
		for _, name := range tables[:len(tables)-1] {
			t.Logf("  %-17s %6.1f kB, indexes %6.1f kB", name, float64(table[name])/float64(n)/1000, float64(index[name])/float64(n)/1000)
		}
		ready, idle, most := serving(t, binary, full)
		t.Logf("  from start to ready %s, %d MB resident, %d MB at most while asked", ready.Round(time.Millisecond), idle/1000, most/1000)
	}
	last := each[len(each)-1]
	for _, e := range each {
		require.InEpsilon(t, last, e, 0.15, "an episode takes as much among many as among few")
	}
	require.Less(t, last, 1e6, "bytes of an episode")
	if *rounds > 0 {
		run(t, full, `DROP SCHEMA base CASCADE`)
		measure(t, conn, full, now)
	}
}

// alone copies the open episodes of a unit, and what belongs to them, into a database of
// their own.
func alone(t testing.TB, from *pgx.Conn, unit string) string {
	t.Helper()
	url := newDatabase(t)
	to := connect(t, url)
	for _, sql := range []string{
		`CREATE TEMP TABLE ward AS SELECT id, subject FROM episode WHERE due IS NOT NULL AND unit = '` + unit + `'`,
		`ANALYZE ward`,
		`CREATE TEMP TABLE pick AS SELECT DISTINCT type, id FROM resource_version WHERE episode <> '' AND episode IN (SELECT id FROM ward)
  UNION SELECT 'Patient', subject FROM ward
  UNION SELECT type, id FROM search_index WHERE type = 'Encounter' AND param = 'patient' AND code IN (SELECT subject FROM ward)`,
		`ANALYZE pick`,
	} {
		_, err := from.Exec(t.Context(), sql)
		require.NoError(t, err)
	}
	for name, where := range map[string]string{
		"episode": `id IN (SELECT id FROM ward)`, "episode_input": `episode IN (SELECT id FROM ward)`,
		"resource": `(type, id) IN (SELECT type, id FROM pick)`, "resource_version": `(type, id) IN (SELECT type, id FROM pick)`,
		"search_index": `(type, id) IN (SELECT type, id FROM pick)`, "identity": `(type, id) IN (SELECT type, id FROM pick)`,
	} {
		cols := columnsOf(t, from, name)
		rows, err := from.Query(t.Context(), fmt.Sprintf(`SELECT %s FROM %s WHERE %s`, strings.Join(cols, ", "), name, where))
		require.NoError(t, err)
		all, err := pgx.CollectRows(rows, func(r pgx.CollectableRow) ([]any, error) { return r.Values() })
		require.NoError(t, err)
		_, err = to.CopyFrom(t.Context(), pgx.Identifier{name}, cols, pgx.CopyFromRows(all))
		require.NoError(t, err)
	}
	run(t, url, `VACUUM (ANALYZE)`)
	return url
}

func columnsOf(t testing.TB, conn *pgx.Conn, table string) []string {
	t.Helper()
	const query = `SELECT attname FROM pg_attribute WHERE attrelid = $1::regclass AND attnum > 0 AND NOT attisdropped AND attidentity = '' ORDER BY attnum`
	rows, err := conn.Query(t.Context(), query, table)
	require.NoError(t, err)
	cols, err := pgx.CollectRows(rows, pgx.RowTo[string])
	require.NoError(t, err)
	return cols
}
