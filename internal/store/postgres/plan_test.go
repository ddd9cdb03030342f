package postgres_test

import (
	"context"
	"encoding/json"
	"fmt"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/store"
	"fhirsvc/internal/store/postgres"
	"fhirsvc/internal/store/storetest"
)

// What each input asks and writes is planned once for each connection, not anew for its
// values (postgresql.org/docs/current/runtime-config-query.html, plan_cache_mode).
func TestInputsArePlannedOnce(t *testing.T) {
	target := newSchema(t)
	require.NoError(t, postgres.Migrate(t.Context(), target))
	st, err := postgres.Open(t.Context(), target+"&pool_max_conns=1")
	require.NoError(t, err)
	t.Cleanup(st.Close)
	for n := range int64(8) { // the server itself would choose after five
		_, err := st.Gather(t.Context(), store.Wanted{Subjects: []string{"p"}, Identities: []store.Identity{{Type: "Patient", System: "s", Value: "1"}}})
		require.NoError(t, err)
		_, err = st.Tagged(t.Context(), "p", store.Tag{Types: []string{"Observation"}, System: "s", Code: "c"})
		require.NoError(t, err)
		_, err = st.Commit(t.Context(), []store.Changeset{storetest.Ordinary("a", n)})
		require.NoError(t, err)
	}
	anew, once, err := st.Plans(t.Context())
	require.NoError(t, err)
	require.Zero(t, anew)
	require.Positive(t, once)
}

// Whether something of one patient waits is asked with each event: what waits of others, and what
// else is about patients, is not looked through, whenever the statement was planned.
func TestTaggedLooksAtOnePatient(t *testing.T) {
	target := newSchema(t)
	require.NoError(t, postgres.Migrate(t.Context(), target))
	st, err := postgres.Open(t.Context(), target)
	require.NoError(t, err)
	t.Cleanup(st.Close)
	conn, err := pgx.Connect(t.Context(), target)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, conn.Close(context.Background())) })
	for _, set := range []string{"enable_seqscan", "enable_hashjoin", "enable_mergejoin", "jit"} { // as the store's sessions
		_, err = conn.Exec(t.Context(), "SET "+set+" = off")
		require.NoError(t, err)
	}
	_, err = conn.Exec(t.Context(), "SET plan_cache_mode = force_generic_plan; PREPARE tagged AS "+postgres.TaggedQuery)
	require.NoError(t, err)
	pages := func(patient string) int {
		var said []byte
		require.NoError(t, conn.QueryRow(t.Context(), `EXPLAIN (ANALYZE, BUFFERS, FORMAT JSON) EXECUTE tagged('`+patient+`', '{Observation,MedicationAdministration}', 's', 'waits')`,
			pgx.QueryExecModeSimpleProtocol).Scan(&said))
		var plans []struct {
			Plan struct {
				Hit  int `json:"Shared Hit Blocks"`
				Read int `json:"Shared Read Blocks"`
			}
		}
		require.NoError(t, json.Unmarshal(said, &plans))
		return plans[0].Plan.Hit + plans[0].Plan.Read
	}
	pages("p1") // planned while there is nothing
	var c store.Changeset
	for n := range 3000 {
		id := fmt.Sprintf("o%d", n)
		c.Resources = append(c.Resources, store.Resource{Type: "Observation", ID: id, Version: 1, Body: []byte("{}"), Index: []search.Value{
			{Param: "_tag", Kind: search.Token, System: "s", Code: "waits"},
			{Param: "subject", Kind: search.Reference, System: "Patient", Code: fmt.Sprintf("p%d", n/3)},
		}})
	}
	_, err = st.Commit(t.Context(), []store.Changeset{c})
	require.NoError(t, err)
	const most = 60 // pages, for a few findings
	for _, when := range []string{"planned before", "planned anew"} {
		for _, patient := range []string{"p1", "nobody"} {
			require.Less(t, pages(patient), most, when+" "+patient)
		}
		_, err = conn.Exec(t.Context(), "ANALYZE search_index")
		require.NoError(t, err)
	}
}
