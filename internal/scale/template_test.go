package scale

import (
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"fhirsvc/internal/store/postgres"
)

// The tables whose rows belong to an episode.
var tables = []string{"inbox", "episode", "episode_input", "resource", "resource_version", "identity", "search_index", "outbox"}

// table is rows of one table, or a copy of them. Bodies are unpacked.
type table struct {
	name    string
	columns []string
	rows    [][]any
	trail   []bool // which rows are of AuditEvents
}

// template is what one played episode has written.
type template struct {
	begun  time.Time
	tables []table
}

const (
	// firstNumber is the number of the first template: all have as many digits.
	firstNumber  = 900_000_001
	templateUnit = "unit-000"
)

// templates plays episodes to their end, and as many again until they are as far as the
// last ones that are open at the instant now: one after the other, each on a day of its own.
// The people are drawn from the seed.
func (u *unit) templates(n int, now time.Time) (finished, open []template) {
	u.Helper()
	conn := connect(u, u.url)
	dice := rand.New(rand.NewPCG(7, 7))
	number := firstNumber
	one := func(begin time.Time, length time.Duration) template {
		number++
		var mark int64
		require.NoError(u, conn.QueryRow(u.Context(), `SELECT pg_current_xact_id()::text::bigint`).Scan(&mark))
		u.play(number, begin, length, dice)
		return template{begun: begin, tables: u.written(conn, mark)}
	}
	day := func() time.Time { // the next one, at the time of now
		return u.clock.Now().Truncate(24 * time.Hour).Add(24*time.Hour + now.Sub(now.Truncate(24*time.Hour)))
	}
	one(day(), 0) // what is written once for all
	for i := range n {
		finished = append(finished, one(day().Add(time.Duration(i)*10*time.Hour/time.Duration(n)), 0))
	}
	for i := range n {
		length := 3 * time.Hour * time.Duration(i+1) / time.Duration(n)
		open = append(open, one(day().Add(24*time.Hour-length), length))
		run(u, u.url, `UPDATE episode SET due = NULL`) // nobody comes any more
	}
	return finished, open
}

// written gives the rows that were written since a transaction.
func (u *unit) written(conn *pgx.Conn, mark int64) []table {
	u.Helper()
	var all []table
	for _, name := range tables {
		cols := columnsOf(u, conn, name)
		as := strings.Replace(strings.Join(cols, ", "), "headers", "headers::text AS headers", 1)
		rows, err := conn.Query(u.Context(), fmt.Sprintf(`SELECT %s FROM %s WHERE xmin::text::bigint >= $1`, as, name), mark)
		require.NoError(u, err)
		t := table{name: name, columns: cols}
		for rows.Next() {
			values, err := rows.Values()
			require.NoError(u, err)
			for i, v := range values {
				if b, ok := v.([]byte); ok {
					values[i], err = postgres.Unpacked(b)
					require.NoError(u, err)
				}
			}
			t.rows = append(t.rows, values)
			t.trail = append(t.trail, slices.Contains(values, any("AuditEvent")))
		}
		require.NoError(u, rows.Err())
		all = append(all, t)
	}
	return all
}

// ids gives what looks like a UUID in all templates but for what several share.
func ids(all []template) map[string]bool {
	seen := map[string]int{}
	for _, t := range all {
		own := map[string]bool{}
		for _, tab := range t.tables {
			for _, r := range tab.rows {
				for _, v := range r {
					for _, at := range uuidsIn(text(v)) {
						own[text(v)[at:at+36]] = true
					}
				}
			}
		}
		for id := range own {
			seen[id]++
		}
	}
	maps.DeleteFunc(seen, func(_ string, n int) bool { return n > 1 })
	once := map[string]bool{}
	for id := range seen {
		once[id] = true
	}
	return once
}

// text is a value as text; "" for what is neither text nor bytes.
func text(v any) string {
	switch v := v.(type) {
	case string:
		return v
	case []byte:
		return string(v)
	}
	return ""
}

// uuidsIn says where UUIDs begin.
func uuidsIn(s string) []int {
	var at []int
	for i := 8; i+28 <= len(s); i++ {
		if s[i] == '-' && s[i+5] == '-' && s[i+10] == '-' && s[i+15] == '-' && isHex(s[i-8:i]) && isHex(s[i+16:i+28]) {
			at = append(at, i-8)
			i += 28
		}
	}
	return at
}

func isHex(s string) bool { return strings.Trim(s, "0123456789abcdef") == "" }
