package scale

import (
	"encoding/json"
	"net/url"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/store/searchsql"
)

// dialect is the PostgreSQL store's.
type dialect struct{}

func (dialect) Placeholder(n int) string                { return "$" + strconv.Itoa(n) }
func (dialect) StartsWith(column, prefix string) string { return column + " ^@ " + prefix }
func (dialect) Contains(column, text string) string {
	return "strpos(" + column + ", " + text + ") > 0"
}
func (dialect) Instant(micros int64) any { return time.UnixMicro(micros) }
func (dialect) Micros(column string) string {
	return "(extract(epoch FROM " + column + ") * 1000000)::bigint"
}

// plan is what PostgreSQL says of a statement that it has run.
type plan struct {
	Node     string `json:"Node Type"`
	Relation string `json:"Relation Name"`
	Hit      int    `json:"Shared Hit Blocks"`
	Read     int    `json:"Shared Read Blocks"`
	Index    string `json:"Index Name"`
	Rows     int    `json:"Actual Rows"`
	Loops    int    `json:"Actual Loops"`
	Removed  int    `json:"Rows Removed by Filter"`
	Plans    []plan
}

func (p plan) pages() int { return p.Hit + p.Read }

// read is how many entries of tables and indexes were looked at, also in vain.
func (p plan) read() int {
	n := 0
	if p.Relation != "" || p.Index != "" {
		n = (p.Rows + p.Removed) * p.Loops
	}
	for _, under := range p.Plans {
		n += under.read()
	}
	return n
}

// whole names the tables that were read from end to end.
func (p plan) whole() []string {
	var names []string
	if p.Node == "Seq Scan" {
		names = append(names, p.Relation)
	}
	for _, under := range p.Plans {
		names = append(names, under.whole()...)
	}
	return names
}

// explain runs a query as the store does and gives its plan.
func explain(t testing.TB, conn *pgx.Conn, query string, units []string) plan {
	t.Helper()
	kind, params, _ := strings.Cut(query, "?")
	values, err := url.ParseQuery(params)
	require.NoError(t, err)
	q, _, issues := search.Parse(kind, values, search.Options{})
	require.False(t, outcome.HasErrors(issues), "%v", issues)
	q.Units = units
	text, args := searchsql.Build(q, dialect{})
	tx, err := conn.Begin(t.Context())
	require.NoError(t, err)
	defer tx.Rollback(t.Context()) //nolint:errcheck // it has changed nothing
	_, err = tx.Exec(t.Context(), `SET LOCAL plan_cache_mode = force_custom_plan; SET LOCAL random_page_cost = 1.1; SET LOCAL jit = off`)
	require.NoError(t, err)
	var said []byte
	require.NoError(t, tx.QueryRow(t.Context(), "EXPLAIN (ANALYZE, BUFFERS, FORMAT JSON) "+text, args...).Scan(&said))
	var plans []struct{ Plan plan }
	require.NoError(t, json.Unmarshal(said, &plans))
	return plans[0].Plan
}

// TestFlat asks what a ward asks all day, of a database in which finished episodes are beside
// some open ones. The pages that are touched and the entries that are looked at are counted: they
// are the same on every machine.
func TestFlat(t *testing.T) {
	const (
		mostPages = 600
		mostRead  = 1000 // few resources are asked for, each of which has some twenty values
	)
	t.Parallel()
	f := shared(t)
	database := newDatabase(t)
	f.fill(t, database, 100, 40, 10)
	conn := connect(t, database)
	var patient, unit string
	require.NoError(t, conn.QueryRow(t.Context(), `SELECT subject, unit FROM episode WHERE due IS NOT NULL ORDER BY id LIMIT 1`).Scan(&patient, &unit))
	due := "due-date=le" + began.Add(30*time.Minute).Format(time.RFC3339)
	for _, tt := range []struct {
		name, query string
		units       []string
	}{
		{"a ward's list", "Task?status=ready,in-progress&_sort=due-date&_count=20", []string{unit}},
		{"a ward's list of what is due", "Task?status=ready,in-progress&" + due + "&_sort=due-date&_count=20", []string{unit}},
		{"a ward's plans", "CarePlan?status=active,on-hold", []string{unit}},
		{"a patient's open Tasks", "Task?patient=Patient/" + patient + "&status=ready,in-progress", nil},
		{"a patient's open Tasks, for a ward", "Task?patient=Patient/" + patient + "&status=ready,in-progress", []string{unit}},
		{"a patient's findings of a kind", "Observation?patient=Patient/" + patient + "&code=hand-check&_sort=-date", []string{unit}},
		{"a procedure by its number", "Procedure?identifier=https://hospital.example/procedure|P-100000008", nil},
	} {
		t.Run(tt.name, func(t *testing.T) {
			p := explain(t, conn, tt.query, tt.units)
			require.Positive(t, p.Rows)
			require.Empty(t, p.whole(), "no table is read from end to end")
			require.Less(t, p.pages(), mostPages)
			require.Less(t, p.read(), mostRead)
		})
	}
	const all = "Task?status=ready,in-progress&_sort=due-date&_count=20"
	require.Greater(t, explain(t, conn, all, nil).read(), mostRead, "the list of all wards shows that the bound is one")
}
