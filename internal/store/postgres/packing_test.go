package postgres_test

import (
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"fhirsvc/internal/store"
	"fhirsvc/internal/store/postgres"
)

// An earlier build may serve a database that it has filled, and reads zstd alone; one that
// holds nothing is nobody's.
func TestPackingIsThatOfTheDatabase(t *testing.T) {
	steps, err := postgres.Steps()
	require.NoError(t, err)
	const before = 11 // steps of the last build that read zstd alone
	body := []byte(`{"resourceType":"Basic","code":{"text":"` + strings.Repeat("packed ", 40) + `"}}`)
	for name, c := range map[string]struct {
		filled bool
		mark   string
	}{
		"one that holds something": {true, "\x28\xb5\x2f\xfd"},
		"one that holds nothing":   {false, "\x00s2\x01"},
	} {
		url := newSchema(t)
		require.NoError(t, postgres.MigrateTo(t.Context(), url, steps[:before]))
		if c.filled {
			exec(t, url, `INSERT INTO resource_version (type, id, version, updated, unit, episode, body) VALUES ('Basic', 'old', 1, now(), '', '', '{}')`)
		}
		require.NoError(t, postgres.Migrate(t.Context(), url))
		st := mustOpenURL(t, url)
		results, err := st.Commit(t.Context(), []store.Changeset{{Resources: []store.Resource{
			{Type: "Basic", ID: "new", Version: 1, Updated: time.Now().UTC().Truncate(time.Microsecond), Body: body},
		}}})
		require.NoError(t, err, name)
		require.Equal(t, store.Committed, results[0].Status, name)
		conn, err := pgx.Connect(t.Context(), url)
		require.NoError(t, err)
		var mark []byte
		require.NoError(t, conn.QueryRow(t.Context(), `SELECT substr(body, 1, 4) FROM resource_version WHERE id = 'new'`).Scan(&mark))
		require.NoError(t, conn.Close(t.Context()))
		require.Equal(t, c.mark, string(mark), name)
		r, err := st.Read(t.Context(), "Basic", "new")
		require.NoError(t, err, name)
		require.Equal(t, body, r.Body, name)
	}
}
