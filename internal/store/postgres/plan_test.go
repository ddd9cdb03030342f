package postgres_test

import (
	"testing"

	"github.com/stretchr/testify/require"

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
		_, err = st.Commit(t.Context(), []store.Changeset{storetest.Ordinary("a", n)})
		require.NoError(t, err)
	}
	anew, once, err := st.Plans(t.Context())
	require.NoError(t, err)
	require.Zero(t, anew)
	require.Positive(t, once)
}
