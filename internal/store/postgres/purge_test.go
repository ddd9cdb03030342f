package postgres_test

import (
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"fhirsvc/internal/store/postgres"
	"fhirsvc/internal/store/storetest"
)

func TestPurgeLeavesNothing(t *testing.T) {
	url := newSchema(t)
	require.NoError(t, postgres.Migrate(t.Context(), url))
	conn, err := pgx.Connect(t.Context(), url)
	require.NoError(t, err)
	defer conn.Close(t.Context()) //nolint:errcheck // asked and answered
	storetest.PurgeLeavesNothing(t, mustOpenURL(t, url), func(text string) (named []string) {
		rows, err := conn.Query(t.Context(), `SELECT tablename::text FROM pg_tables WHERE schemaname = current_schema()`)
		require.NoError(t, err)
		tables, err := pgx.CollectRows(rows, pgx.RowTo[string])
		require.NoError(t, err)
		for _, table := range tables {
			var there bool
			require.NoError(t, conn.QueryRow(t.Context(), `SELECT EXISTS (SELECT FROM `+table+` x WHERE x::text LIKE $1)`, "%"+text+"%").Scan(&there))
			if there {
				named = append(named, table)
			}
		}
		return named
	})
}
